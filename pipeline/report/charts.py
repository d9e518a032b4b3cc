"""The pictures of one home as Vega-Lite specs: frames in, a plain dict out, None where nothing can be drawn.

Specs hold their own data (whole watts, two decimals for slopes) and the light palette; widths follow the
container. Nothing here knows about pages.
"""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import altair as alt
import polars as pl

from pipeline.report import theme, words
from pipeline.report.series import HomeSeries

Spec = dict[str, Any]
_Z95 = 1.96
_LEGS = ["L1", "L2"]
_LEG_COLOURS = [theme.light("l1"), theme.light("l2")]


def finish(chart: alt.Chart | alt.LayerChart, **datasets: list[dict[str, Any]]) -> Spec:
    """Return the chart as a spec with the shared config and its named data."""
    spec: Spec = json.loads(json.dumps(chart.to_dict(validate=False)))
    size = {"type": "fit-x", "contains": "padding"}
    return spec | {"config": theme.config(), "autosize": size, "datasets": datasets}


def day_hour_map(series: HomeSeries, leg: str, reach_w: float, onset: date | None) -> Spec | None:
    """Return the day (down) by local hour (across) map of one leg's mean W, colours from -reach to +reach."""
    cells = series.hours.select("day", "hour", w=pl.col(f"{leg}_w").round().cast(pl.Int64)).drop_nulls()
    if cells.is_empty():
        return None
    days = [str(day) for day in series.hours.get_column("day").unique().sort()]
    colours = [
        theme.light(c) for c in ("negative_far", "negative_near", "zero", "positive_near", "positive_far")
    ]
    scale = alt.Scale(
        domain=[-reach_w, -reach_w / 4, 0, reach_w / 4, reach_w], range=colours, clamp=True, interpolate="rgb"
    )
    hour = alt.X("hour:O", title="hour of the day, local", scale=alt.Scale(domain=list(range(24))))
    day_axis = alt.Axis(labelExpr="slice(datum.label, 5)", labelPadding=4)
    day = alt.Y("day:O", title=None, scale=alt.Scale(domain=days), axis=day_axis)
    legend = alt.Legend(
        title=f"{words.leg(leg)}, W; below 0: towards the utility", gradientLength=200, format="d"
    )
    chart = alt.Chart(alt.NamedData("cells")).mark_rect()
    chart = chart.encode(
        x=hour,
        y=day,
        color=alt.Color("w:Q", scale=scale, legend=legend),
        tooltip=[alt.Tooltip("day:N"), alt.Tooltip("hour:O"), alt.Tooltip("w:Q", title="W")],
    )
    layers: list[alt.Chart] = [chart]
    marks = [{"day": str(onset)}] if onset and str(onset) in days else []
    if marks:
        rule = alt.Chart(alt.NamedData("onset")).mark_rule(color=theme.light("ink"), strokeWidth=2)
        layers.append(rule.encode(y=alt.Y("day:O", bandPosition=0)))
    step = min(12, max(3, 330 // len(days)))
    view = alt.ViewBackground(fill=theme.light("no_data"))
    whole = alt.layer(*layers).properties(width="container", height=alt.Step(step), view=view)
    return finish(whole, cells=_rows(cells), **({"onset": marks} if marks else {}))


def leg_against_pv(
    points: pl.DataFrame,
    leg: str,
    slope: float | None,
    se: float | None,
    expected: float | None,
    start: date | None,
) -> Spec | None:
    """Return daylight hours (pv_w, leg_w) with the fitted and expected slopes through their median point.

    Days before `start` had no part in the slope: they are small grey dots and not in the median point. The band
    around the fitted line is the slope's 95 % interval (1.96 standard errors).
    """
    if points.is_empty():
        return None
    is_used = pl.lit(True) if start is None else pl.col("day") >= start
    cloud, points = points, points.filter(is_used)
    if points.is_empty():
        slope = se = expected = None
    pv, level = points.get_column("pv_w"), points.get_column("leg_w")
    mid_x, mid_y = _middle(pv), _middle(level)
    ends = (_quantile(pv, 0), mid_x, _quantile(pv, 1))
    lines, band = [], []
    for name, value in (("fitted", slope), ("expected", expected)):
        if value is not None:
            label = f"{name} {words.slope(value, se if name == 'fitted' else None)}"
            lines += [{"line": label, "pv": round(x), "w": round(mid_y + value * (x - mid_x))} for x in ends]
    if slope is not None and se is not None:
        for x in ends:
            centre, half = mid_y + slope * (x - mid_x), _Z95 * se * abs(x - mid_x)
            band.append({"pv": round(x), "low": round(centre - half), "high": round(centre + half)})
    x_axis = alt.X("pv:Q", title="PV production, W")
    y_axis = alt.Y("w:Q", title=f"{words.leg(leg)}, W")
    dots = alt.Chart(alt.NamedData("hours")).mark_point(
        filled=True, size=24, opacity=0.4, color=theme.light(leg), shape="circle" if leg == "l1" else "square"
    )
    old = alt.Chart(alt.NamedData("earlier")).mark_point(
        filled=True, size=12, opacity=0.5, color=theme.light("prior")
    )
    layers: list[alt.Chart] = [
        _zero_line(),
        old.encode(x=x_axis, y=y_axis),
        dots.encode(x=x_axis, y=y_axis, tooltip=[alt.Tooltip("day:N"), alt.Tooltip("hour:O"), "pv:Q", "w:Q"]),
    ]
    if band:
        area = alt.Chart(alt.NamedData("band")).mark_area(opacity=0.25, color=theme.light(leg))
        layers.append(area.encode(x="pv:Q", y="low:Q", y2="high:Q"))
    names = list(dict.fromkeys(line["line"] for line in lines))
    if names:
        fitted = names[0].startswith("fitted")
        colours = [theme.light(leg), theme.light("expected")] if fitted else [theme.light("expected")]
        dashes = [[1, 0], [6, 4]] if fitted else [[6, 4]]
        legend = alt.Legend(title="slope, W per W of PV", symbolType="stroke", symbolSize=300)
        stroke = alt.Chart(alt.NamedData("lines")).mark_line(strokeWidth=2.5)
        layers.append(
            stroke.encode(
                x="pv:Q",
                y="w:Q",
                color=alt.Color(
                    "line:N", scale=alt.Scale(domain=names, range=colours[: len(names)]), legend=legend
                ),
                strokeDash=alt.StrokeDash(
                    "line:N", scale=alt.Scale(domain=names, range=dashes[: len(names)])
                ),
            )
        )
    watts = (pl.col("pv_w", "leg_w").round().cast(pl.Int64)).name.map(
        lambda name: {"pv_w": "pv"}.get(name, "w")
    )
    hours, earlier = (cloud.filter(part).select("day", "hour", watts) for part in (is_used, ~is_used))
    whole = alt.layer(*layers).properties(width="container", height=260)
    data = {"hours": _rows(hours), "earlier": _rows(earlier), "lines": lines, "band": band}
    return finish(whole, **data, zero=[{"zero": 0}])


def night_levels(days: pl.DataFrame, onset: date | None) -> Spec | None:
    """Return each night's median W of both legs over the days, the onset marked."""
    rows = _by_leg(days, {"w": "night_{}_w"}).drop_nulls("w").with_columns(pl.col("w").round().cast(pl.Int64))
    if rows.is_empty():
        return None
    base = alt.Chart(alt.NamedData("nights")).encode(
        x=_day_axis(), y=alt.Y("w:Q", title="night level, W"), color=_leg_colour()
    )
    dots = base.mark_point(filled=True, size=55).encode(
        shape=_leg_shape(), tooltip=[alt.Tooltip("leg:N"), alt.Tooltip("day:T", format="%-d %b"), "w:Q"]
    )
    layers = [_zero_line(), base.mark_line(strokeWidth=1.5, opacity=0.7), dots, *_onset_layers(rows, onset)]
    whole = alt.layer(*layers).properties(width="container", height=220)
    return finish(whole, nights=_rows(rows), zero=[{"zero": 0}], **_onset_data(rows, onset))


def daily_slopes(days: pl.DataFrame, expected: float | None, reach: float, onset: date | None) -> Spec | None:
    """Return each day's slope on PV with its 95 % interval, both legs, against the expected slope.

    L1 stands at 6:00 and L2 at 18:00 of its day so that the bars lie side by side.
    """
    rows = _by_leg(days, {"slope": "slope_{}", "se": "slope_{}_se"}).drop_nulls("slope")
    if rows.is_empty():
        return None
    largest = max(reach, abs(expected or 0) + 0.2, _quantile(rows.get_column("slope").abs(), 0.95) + 0.2)
    half = pl.col("se").fill_null(0) * _Z95
    rows = rows.select(
        "leg",
        pl.concat_str(
            "day", pl.when(pl.col("leg") == "L1").then(pl.lit("T06:00Z")).otherwise(pl.lit("T18:00Z"))
        ),
        slope=pl.col("slope").round(3),
        low=(pl.col("slope") - half).round(3),
        high=(pl.col("slope") + half).round(3),
    )
    domain = alt.Scale(domain=[-round(largest, 1), round(largest, 1)], nice=False)
    y_axis = alt.Y("slope:Q", title="slope, W per W of PV", scale=domain)
    title = None if expected is None else f"dashed: expected {words.number(expected, 2, sign=True)}"
    base = alt.Chart(alt.NamedData("slopes")).encode(x=_day_axis(), color=_leg_colour(title))
    dots = base.mark_point(filled=True, size=55, clip=True).encode(
        y=y_axis,
        shape=_leg_shape(),
        tooltip=[alt.Tooltip("leg:N"), alt.Tooltip("day:T", format="%-d %b"), "slope:Q"],
    )
    bars = base.mark_rule(strokeWidth=2, opacity=0.6, clip=True).encode(y=alt.Y("low:Q"), y2="high:Q")
    layers = [_zero_line(), bars, dots, *_onset_layers(rows, onset)]
    data: dict[str, list[dict[str, Any]]] = {"slopes": _rows(rows), "zero": [{"zero": 0}]}
    if expected is not None:
        line = alt.Chart(alt.NamedData("expected")).mark_rule(
            strokeDash=[6, 4], strokeWidth=1.5, color=theme.light("expected")
        )
        layers.append(line.encode(y="slope:Q"))
        data["expected"] = [{"slope": expected}]
    whole = alt.layer(*layers).properties(width="container", height=240)
    return finish(whole, **data, **_onset_data(rows, onset))


def _rows(frame: pl.DataFrame) -> list[dict[str, Any]]:
    return frame.with_columns(pl.col(pl.Date).dt.to_string("%Y-%m-%d")).to_dicts()


def _by_leg(days: pl.DataFrame, fields: dict[str, str]) -> pl.DataFrame:
    """Return one row a day and leg: leg ("L1"/"L2"), day (ISO text) and the fields, for both legs."""
    day = pl.col("day").dt.to_string("%Y-%m-%d")
    parts = [
        days.select(
            pl.lit(words.leg(leg)).alias("leg"),
            day,
            **{name: pl.col(column.format(leg)).cast(pl.Float64) for name, column in fields.items()},
        )
        for leg in ("l1", "l2")
    ]
    return pl.concat(parts)


def _middle(values: pl.Series) -> float:
    return _quantile(values, 0.5)


def _quantile(values: pl.Series, share: float) -> float:
    return float(values.quantile(share, interpolation="linear") or 0.0)


def _day_axis() -> alt.X:
    axis = alt.Axis(format="%-d %b", tickCount=8, grid=False)
    return alt.X("day:T", title=None, scale=alt.Scale(type="utc"), axis=axis)


def _leg_colour(title: str | None = None) -> alt.Color:
    return alt.Color(
        "leg:N", scale=alt.Scale(domain=_LEGS, range=_LEG_COLOURS), legend=alt.Legend(title=title)
    )


def _leg_shape() -> alt.Shape:
    return alt.Shape("leg:N", scale=alt.Scale(domain=_LEGS, range=["circle", "square"]))


def _zero_line() -> alt.Chart:
    rule = alt.Chart(alt.NamedData("zero")).mark_rule(color=theme.light("quiet"), strokeWidth=1)
    return rule.encode(y="zero:Q")


def _onset_data(rows: pl.DataFrame, onset: date | None) -> dict[str, list[dict[str, Any]]]:
    days = rows.get_column("day").str.slice(0, 10)
    if onset is None or not (days.min() <= str(onset) <= days.max()):  # type: ignore[operator]
        return {}
    return {"onset": [{"day": str(onset), "name": f"since {onset.day} {words.day(onset).split()[1]}"}]}


def _onset_layers(rows: pl.DataFrame, onset: date | None) -> list[alt.Chart]:
    if not _onset_data(rows, onset):
        return []
    days = rows.get_column("day").str.slice(0, 10).unique().sort().to_list()
    is_late = str(onset) > days[len(days) // 2]
    rule = alt.Chart(alt.NamedData("onset")).mark_rule(
        color=theme.light("ink"), strokeWidth=2, strokeDash=[2, 3]
    )
    name = alt.Chart(alt.NamedData("onset")).mark_text(
        align="right" if is_late else "left", dx=-6 if is_late else 6
    )
    x = alt.X("day:T", scale=alt.Scale(type="utc"))
    return [rule.encode(x=x), name.encode(x=x, y=alt.value(-7), text="name:N")]
