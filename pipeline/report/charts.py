"""The pictures of one home over its days as Vega-Lite specs: frames in, a plain dict out, None without data.

Specs hold their own data (whole watts, three decimals for slopes) and the light palette. Nothing here knows
about pages. The leg-against-PV and weight pictures have modules of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl

from pipeline.core.quantiles import Z95
from pipeline.report import theme, vega, words
from pipeline.report.chart_parts import (
    Rows,
    data,
    day_axis,
    finish,
    leg_colour,
    leg_shape,
    lines_in,
    quantile,
    rows,
    whole,
    zero_line,
)
from pipeline.report.right_slopes import Expected, right_slopes, right_text
from pipeline.report.series import HomeSeries
from pipeline.report.vega import Layer, Spec

_MAP_COLOURS = ("negative_far", "negative_near", "zero", "positive_near", "positive_far")
_MAP_PX, _ROW_PX = 330, (3, 12)


def day_hour_map(series: HomeSeries, leg: str, reach_w: float, *, onset: date | None) -> Spec | None:
    """Return the day (down) by local hour (across) map of one leg's mean W, colours from -reach to +reach.

    Parameters
    ----------
    series
        The home's days and hours.
    leg
        l1, l2 or l3.
    reach_w
        Colours end at minus and plus this [W].
    onset
        Day of the change, marked where there is one.
    """
    cells = series.hours.select("day", "hour", whole(f"{leg}_w").alias("w")).drop_nulls()
    if cells.is_empty():
        return None
    days = [str(day) for day in series.hours.get_column("day").unique().sort()]
    stops = [-reach_w, -reach_w / 4, 0, reach_w / 4, reach_w]
    colours = [theme.light(name) for name in _MAP_COLOURS]
    scale = vega.scale(domain=stops, range=colours, clamp=True, interpolate="rgb")
    title = f"{words.leg(leg)}, W; below 0: towards the utility"
    legend = vega.legend(title=title, gradientLength=200, format="d", values=[-reach_w, 0, reach_w])
    every_hour = vega.scale(domain=list(range(24)))
    hour = vega.x("hour:O", title="hour of the day, local", scale=every_hour, axis=vega.axis(labelAngle=0))
    axis = vega.axis(labelExpr="slice(datum.label, 5)", labelPadding=4)
    day = vega.y("day:O", title=None, scale=vega.scale(domain=days), axis=axis)
    told = [vega.tooltip("day:N"), vega.tooltip("hour:O"), vega.tooltip("w:Q", title="W")]
    cell = data("cells").mark("rect")
    layers = [cell.encode(hour, day, vega.colour("w:Q", scale=scale, legend=legend), tooltip=told)]
    tables = {"cells": rows(cells)}
    if onset and str(onset) in days:
        rule = data("onset").mark("rule", color=theme.light("ink"), strokeWidth=2)
        layers.append(rule.encode(vega.y("day:O", bandPosition=0)))
        tables["onset"] = [{"day": str(onset)}]
    step = min(_ROW_PX[1], max(_ROW_PX[0], _MAP_PX // len(days)))
    background = {"fill": theme.light("no_data")}
    return finish(layers, tables, height=step * len(days), view=background)


def night_levels(
    days: pl.DataFrame, reach_w: float, onset: date | None, *, lines: Sequence[str] | None = None
) -> Spec | None:
    """Return each night's median W of every line over the days, the onset marked.

    Parameters
    ----------
    days
        Table site_daily of the home.
    reach_w
        The axis goes up to this [W] at least, so that a dead line's noise stays as small as it is.
    onset
        Day of the change, marked where there is one.
    lines
        The home's (l1, ...); None: both legs, and the third line where it has a night.
    """
    lines = lines or lines_in(days, "night_{}_w")
    nights = by_leg_rows(days, {"w": "night_{}_w"}, lines=lines).drop_nulls("w").with_columns(whole("w"))
    if nights.is_empty():
        return None
    zero, zero_data = zero_line()
    marks, mark_data = onset_marks(nights, onset)
    low, high = (quantile(nights.get_column("w"), end) for end in (0, 1))
    axis = vega.scale(domain=[min(low, 0), max(high, reach_w)], nice=True)
    base = data("nights").encode(
        day_axis(days.height),
        vega.y("w:Q", title="overnight baseload, W", scale=axis),
        leg_colour(lines=lines),
    )
    told = [vega.tooltip("leg:N"), vega.tooltip("day:T", format="%-d %b"), vega.tooltip("w:Q")]
    dots = base.mark("point", filled=True, size=55).encode(leg_shape(lines=lines), tooltip=told)
    layers = [zero, base.mark("line", strokeWidth=1.5, opacity=0.7), dots, *marks]
    return finish(layers, {"nights": rows(nights)} | zero_data | mark_data, height=220)


def daily_slopes(
    days: pl.DataFrame,
    expected: Expected,
    reach: float,
    *,
    onset: date | None,
    lines: Sequence[str] | None = None,
) -> Spec | None:
    """Return each day's slope on PV with its 95 % interval, every line, against the expected slope.

    Parameters
    ----------
    days
        Table site_daily of the home.
    expected
        The slope of a right install [W/W], of every line or by line (l1, ...); None where the sun proves nothing.
    reach
        Least half width of the axis [W/W].
    onset
        Day of the change, marked where there is one.
    lines
        The home's (l1, ...); None: both legs, and the third line where it has a slope.
    """
    lines = lines or lines_in(days, "slope_{}")
    right = right_slopes(expected, lines)
    slopes = by_leg_rows(days, {"slope": "slope_{}", "se": "slope_{}_se"}, lines=lines).drop_nulls("slope")
    if slopes.is_empty():
        return None
    largest = max(
        reach, *(abs(value) + 0.2 for value in right), quantile(slopes.get_column("slope").abs(), 0.95) + 0.2
    )
    half = pl.col("se").fill_null(0) * Z95
    slopes = slopes.select(
        "leg",
        side_by_side(lines),
        slope=pl.col("slope").round(3),
        low=(pl.col("slope") - half).round(3),
        high=(pl.col("slope") + half).round(3),
    )
    zero, zero_data = zero_line()
    marks, mark_data = onset_marks(slopes, onset)
    domain = vega.scale(domain=[-round(largest, 1), round(largest, 1)], nice=False)
    title = f"dashed: right, {right_text(expected, lines)}" if right else None
    base = data("slopes").encode(day_axis(days.height), leg_colour(title, lines=lines))
    told = [vega.tooltip("leg:N"), vega.tooltip("day:T", format="%-d %b"), vega.tooltip("slope:Q")]
    dots = base.mark("point", filled=True, size=55, clip=True).encode(
        vega.y("slope:Q", title="slope, W per W of PV", scale=domain), leg_shape(lines=lines), tooltip=told
    )
    bars = base.mark("rule", strokeWidth=2, opacity=0.6, clip=True).encode(vega.y("low:Q"), vega.y2("high:Q"))
    layers = [zero, bars, dots, *marks]
    tables = {"slopes": rows(slopes)} | zero_data | mark_data
    if right:
        line = data("expected").mark(
            "rule", strokeDash=[6, 4], strokeWidth=1.5, color=theme.light("expected")
        )
        layers.append(line.encode(vega.y("slope:Q")))
        tables["expected"] = [{"slope": value} for value in right]
    return finish(layers, tables, height=240)


def by_leg_rows(
    days: pl.DataFrame, fields: dict[str, str], *, lines: Sequence[str] | None = None
) -> pl.DataFrame:
    """Return one row a day and line: leg ("L1"...), day (ISO text) and the fields, by their columns ("slope_{}").

    `lines` None: both legs, and the third line where it has a value.
    """
    day = pl.col("day").dt.to_string("%Y-%m-%d")
    parts = [
        days.select(
            pl.lit(words.leg(leg)).alias("leg"),
            day,
            **{name: pl.col(column.format(leg)).cast(pl.Float64) for name, column in fields.items()},
        )
        for leg in lines or lines_in(days, next(iter(fields.values())))
    ]
    return pl.concat(parts)


def side_by_side(lines: Sequence[str]) -> pl.Expr:
    """Return when in its day each line's mark stands, so that their bars lie side by side: two at 6:00 and 18:00."""
    hours = {line.upper(): 24 * (place + 0.5) / len(lines) for place, line in enumerate(lines)}
    times = {name: f"T{hour:02.0f}:00Z" for name, hour in hours.items()}
    return pl.concat_str("day", pl.col("leg").replace_strict(times, return_dtype=pl.String))


def onset_marks(by_leg: pl.DataFrame, onset: date | None) -> tuple[list[Layer], dict[str, Rows]]:
    """Return the onset's upright line and name, and their data; nothing where the days don't hold it."""
    days = by_leg.get_column("day").str.slice(0, 10).unique().sort().to_list()
    if onset is None or not days[0] <= str(onset) <= days[-1]:
        return [], {}
    is_late = str(onset) > days[len(days) // 2]
    rule = data("onset").mark("rule", color=theme.light("ink"), strokeWidth=2, strokeDash=[2, 3])
    name = data("onset").mark(
        "text", align="right" if is_late else "left", dx=4 if is_late else -4, baseline="bottom"
    )
    x = vega.x("day:T", scale=vega.scale(type="utc"))
    named = name.encode(x, vega.text("name:N"), y=vega.value(-3))
    tables: dict[str, Rows] = {"onset": [{"day": str(onset), "name": f"since {words.day(onset)}"}]}
    return [rule.encode(x), named], tables
