"""The pictures of what the list is worth: where it should be cut, and what visits found against what was promised."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from pipeline.report import theme, words
from pipeline.report.chart_parts import Rows, Spec, data, finish, rows, zero_line

# name: (colour, dashes): lines differ in more than colour.
_POLICIES = {
    "by likelihood": ("against", [1, 0]),
    "every home": ("supports", [8, 4]),
    "nobody": ("quiet", [2, 3]),
}
_TESTED = {"promised": ("expected", [6, 4]), "confirmed": ("l1", [1, 0])}
_PER = 100  # net benefit is shown for so many homes
_BAR_PX = 22
_MOST_MONTHS = 12


def decision_curve_chart(curve: pl.DataFrame, threshold: float | None) -> Spec | None:
    """Return net benefit [true visits in 100 homes] against threshold, of three policies; None without homes.

    `curve` is table decision_curve. `threshold` is where the fleet's costs cut, drawn as an upright line. Visiting
    every home falls without end, so the axis ends below 0 where the others are still told apart.
    """
    if curve.is_empty():
        return None
    columns = dict(zip(_POLICIES, ("model", "visit_all", None), strict=True))
    lines = [
        {"threshold": row["threshold"], "policy": name, "benefit": _hundred(row[column] if column else 0.0)}
        for name, column in columns.items()
        for row in curve.iter_rows(named=True)
    ]
    top = max(line["benefit"] for line in lines)
    return _lines(lines, _POLICIES, "policy", (-0.35 * top, 1.08 * top), threshold, [])


def confirmed_chart(curve: pl.DataFrame, threshold: float | None) -> Spec | None:
    """Return net benefit among the visited homes as promised and as found, with its 95 % band; None with too few."""
    known = curve.drop_nulls("confirmed")
    if known.is_empty():
        return None
    lines = [
        {"threshold": row["threshold"], "policy": name, "benefit": _hundred(row[name])}
        for name in _TESTED
        for row in known.iter_rows(named=True)
    ]
    band = known.select(
        "threshold", *((pl.col(f"confirmed_{end}") * _PER).round(3).alias(end) for end in ("low", "high"))
    )
    top = max(line["benefit"] for line in lines)
    reach = (-0.35 * top if top > 0 else -_PER, max(1.08 * top, 1.0))
    return _lines(lines, _TESTED, "policy", reach, threshold, rows(band))


def hit_rate_chart(months: pl.DataFrame) -> Spec | None:
    """Return the share of visits that found a fault against the share promised, the last 12 months; None without any.

    `months` are the rows of table hit_rate of one way of fixing that have a month and visits. The grey bar is where the
    share lies if the promises hold; the point has Wilson's 95 % interval; a month that drifted is a diamond.
    """
    if months.is_empty():
        return None
    share = (
        months.sort("month")
        .tail(_MOST_MONTHS)
        .select(
            "month",
            found=pl.col("rate").round(4),
            low=pl.col("rate_low").round(4),
            high=pl.col("rate_high").round(4),
            promised=(pl.col("promised") / pl.col("visits")).round(4),
            held_low=(pl.col("hits_low") / pl.col("visits")).round(4),
            held_high=(pl.col("hits_high") / pl.col("visits")).round(4),
            said=pl.format("{} of {}", "hits", "visits"),
            state=pl.when(pl.col("drift").is_null())
            .then(pl.lit("found"))
            .otherwise(pl.lit("found, drifted")),
        )
    )
    month = alt.X("month:O", title=None, axis=alt.Axis(labelAngle=0))
    scale, axis = alt.Scale(domain=[0, 1]), alt.Axis(format=".0%", tickCount=5)
    base = data("months").encode(month)
    held = base.mark_bar(size=_BAR_PX, color=theme.light("grid")).encode(
        alt.Y("held_low:Q", scale=scale, axis=axis, title="visits that found a fault"),
        alt.Y2("held_high:Q"),
    )
    promised = base.mark_point(
        shape="stroke", size=_BAR_PX**2, strokeWidth=2, color=theme.light("expected")
    ).encode(alt.Y("promised:Q"))
    bars = base.mark_rule(strokeWidth=2, color=theme.light("l1")).encode(alt.Y("low:Q"), alt.Y2("high:Q"))
    states = ["found", "found, drifted"]
    told = [
        alt.Tooltip("month:N"),
        alt.Tooltip("said:N", title="found"),
        alt.Tooltip("promised:Q", format=".0%"),
    ]
    points = base.mark_point(filled=True, size=110).encode(
        alt.Y("found:Q"),
        alt.Color(
            "state:N", scale=alt.Scale(domain=states, range=[theme.light("l1"), theme.light("supports")])
        ),
        alt.Shape("state:N", scale=alt.Scale(domain=states, range=["circle", "diamond"]), title=None),
        tooltip=told,
    )
    points.encoding.color.legend = alt.Legend(
        title="grey: where it lies if the promises hold; dash: promised"
    )
    points.encoding.shape.legend = None
    return finish([held, promised, bars, points], {"months": rows(share)}, height=240)


def _hundred(benefit: float) -> float:
    return round(benefit * _PER, 3)


def _lines(
    lines: Rows,
    styles: dict[str, tuple[str, list[int]]],
    series: str,
    reach: tuple[float, float],
    threshold: float | None,
    band: Rows,
) -> Spec:
    names = list(styles)
    colours = alt.Scale(domain=names, range=[theme.light(colour) for colour, _ in styles.values()])
    dashes = alt.Scale(domain=names, range=[dash for _, dash in styles.values()])
    x = alt.X(
        "threshold:Q",
        title="threshold: likelihood from which homes are visited",
        scale=alt.Scale(domain=[0, 1], nice=False),
        axis=alt.Axis(format=".0%", grid=False, tickCount=5),
    )
    y = alt.Y(
        "benefit:Q",
        title="net benefit, true visits in 100 homes",
        scale=alt.Scale(domain=[round(end, 3) for end in reach], nice=False),
    )
    legend = alt.Legend(title=None, symbolType="stroke", symbolSize=400, symbolStrokeWidth=2.5)
    drawn = (
        data("lines")
        .mark_line(strokeWidth=2.5, clip=True)
        .encode(
            x,
            y,
            alt.Color(f"{series}:N", scale=colours, legend=legend),
            alt.StrokeDash(f"{series}:N", scale=dashes, legend=legend),
        )
    )
    zero, zero_data = zero_line()
    layers, tables = [zero, drawn], {"lines": lines} | zero_data
    if band:
        area = data("band").mark_area(opacity=0.18, color=theme.light("l1"), clip=True)
        layers.insert(0, area.encode(x, alt.Y("low:Q", title=None), alt.Y2("high:Q")))
        tables["band"] = band
    if threshold is not None:
        tables["cut"] = [{"threshold": round(threshold, 4), "name": f"pays from {words.percent(threshold)}"}]
        layers += _cut(threshold)
    return finish(layers, tables, height=280)


def _cut(threshold: float) -> list[Any]:
    rule = data("cut").mark_rule(strokeWidth=2, strokeDash=[2, 3], color=theme.light("ink"))
    is_right = threshold > 0.6
    name = data("cut").mark_text(align="right" if is_right else "left", dx=-5 if is_right else 5, dy=8)
    x = alt.X("threshold:Q")
    return [rule.encode(x), name.encode(x, alt.Text("name:N"), y=alt.value(0))]
