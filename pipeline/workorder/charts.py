"""Pictures that only work orders have, as Vega-Lite specs; place, shape and dash tell things apart, in grey too."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl

from pipeline.report import theme, vega
from pipeline.report.chart_parts import (
    Rows,
    data,
    day_axis,
    finish,
    leg_colour,
    leg_shape,
    mark_of,
    rows,
    whole,
    zero_line,
)
from pipeline.report.charts import by_leg_rows, onset_marks
from pipeline.report.series import HomeSeries
from pipeline.report.vega import Spec

_DASHES = {"l1": [1, 0], "l2": [6, 3], "l3": [8, 2, 2, 2]}


def day_profile(series: HomeSeries, start: date | None, *, lines: Sequence[str]) -> Spec | None:
    """Return the mean W of each line and of production by local hour of the day, over the days from `start` on."""
    hours = _from(series.hours, start)
    names = [*((line.upper(), f"{line}_w") for line in lines), ("production", "pv_w")]
    parts = [
        hours.drop_nulls(column)
        .group_by("hour")
        .agg(pl.col(column).mean().round().alias("w"))
        .with_columns(pl.lit(name).alias("line"))
        for name, column in names
    ]
    profile = pl.concat(parts).sort("line", "hour")
    if profile.is_empty():
        return None
    shown = [name for name, _ in names if name in profile["line"].to_list()]
    colours = {line.upper(): theme.light(line) for line in lines} | {"production": theme.light("ink")}
    zero, zero_data = zero_line()
    base = data("profile").encode(
        vega.x(
            "hour:Q",
            title="hour of the day, local",
            scale=vega.scale(domain=[0, 23], nice=False),
            axis=vega.axis(values=list(range(0, 24, 3)), grid=False, format="d"),
        ),
        vega.y("w:Q", title="mean, W"),
        vega.colour(
            "line:N",
            scale=vega.scale(domain=shown, range=[colours[name] for name in shown]),
            legend=vega.legend(title=None, symbolDash=[1, 0]),
        ),
    )
    dashes = {line.upper(): _DASHES[line] for line in lines} | {"production": [2, 2]}
    shapes = {line.upper(): mark_of(line) for line in lines} | {"production": "cross"}
    dash = vega.dash(
        "line:N", scale=vega.scale(domain=shown, range=[dashes[name] for name in shown]), legend=None
    )
    shape = vega.shape("line:N", scale=vega.scale(domain=shown, range=[shapes[name] for name in shown]))
    layers = [
        zero,
        base.mark("line", strokeWidth=1.5).encode(dash),
        base.mark("point", size=26).encode(shape),
    ]
    return finish(layers, {"profile": rows(profile)} | zero_data, height=190)


def leg_against_leg(
    series: HomeSeries, start: date | None, pair: tuple[str, str], *, others_share: float = 1.0
) -> Spec | None:
    """Return each hour's mean W of a pair's second line (up) against its first (across), and what one conductor makes.

    Parameters
    ----------
    series
        The home's hours.
    start
        The first day that counts; None for all.
    pair
        The lines (l1, ...), the one whose CT is suspected last.
    others_share
        What a channel reads of another line's load, as a share of it: 1 where their voltages are opposite, 0.5 where
        they are 120 degrees apart.
    """
    across, up = pair
    points = _from(series.hours, start).select(across=whole(f"{across}_w"), up=whole(f"{up}_w")).drop_nulls()
    if points.is_empty():
        return None
    reach = (
        max(float(points[axis].abs().quantile(0.995, interpolation="linear") or 0) for axis in points.columns)
        or 1.0
    )
    signs = {"a copy": 1.0, "a mirror image": -1.0}
    if others_share != 1.0:
        signs = {f"CT on {across.upper()}": -others_share, "there and reversed": others_share}
    lines: Rows = [
        {"line": name, "across": at * reach, "up": sign * at * reach}
        for name, sign in signs.items()
        for at in (-1, 1)
    ]
    domain = vega.scale(domain=[-reach, reach], nice=True, clamp=True)
    x = vega.x("across:Q", title=f"{across.upper()}, W", scale=domain)
    y = vega.y("up:Q", title=f"{up.upper()}, W", scale=domain)
    dots = data("hours").mark("point", filled=True, size=14, opacity=0.5, color=theme.light("ink"))
    dash = vega.dash(
        "line:N",
        scale=vega.scale(domain=list(signs), range=[[1, 0], [6, 4]]),
        legend=vega.legend(title=None, symbolType="stroke", symbolSize=400),
    )
    line = data("lines").mark("line", strokeWidth=1.2, color=theme.light("quiet"))
    return finish(
        [line.encode(x, y, dash), dots.encode(x, y)], {"hours": rows(points), "lines": lines}, height=190
    )


def zero_shares(days: pl.DataFrame, onset: date | None, *, lines: Sequence[str]) -> Spec | None:
    """Return each day's share of intervals in which a line reads zero while the rest lives, every line."""
    shares = by_leg_rows(days, {"share": "zero_{}_share"}, lines=lines).drop_nulls("share")
    if shares.is_empty():
        return None
    top = max(0.1, float(shares.get_column("share").max() or 0))  # type: ignore[arg-type]
    scale = vega.scale(domain=[0, top], nice=True)
    marks, mark_data = onset_marks(shares, onset)
    base = data("shares").encode(
        day_axis(days.height),
        vega.y("share:Q", title="of the day at zero", scale=scale, axis=vega.axis(format="%")),
        leg_colour(lines=lines),
    )
    layers = [
        base.mark("line", strokeWidth=1, opacity=0.7),
        base.mark("point", size=40).encode(leg_shape(lines=lines)),
        *marks,
    ]
    return finish(layers, {"shares": rows(shares)} | mark_data, height=190)


def night_floors(
    series: HomeSeries, dark_hours: tuple[int, int], onset: date | None, *, lines: Sequence[str]
) -> Spec | None:
    """Return the lowest hour of each night of every line [W].

    Parameters
    ----------
    series
        The home's hours.
    dark_hours
        Local hours of the night: first, end.
    onset
        Day of the change, marked where there is one.
    lines
        The home's (l1, ...).
    """
    first, end = dark_hours
    floors = (
        series.hours.filter(pl.col("hour").is_between(first, end - 1))
        .group_by("day")
        .agg(pl.col(*(f"{line}_w" for line in lines)).min())
        .sort("day")
    )
    by_leg = by_leg_rows(floors, {"w": "{}_w"}, lines=lines).drop_nulls("w").with_columns(whole("w"))
    if by_leg.is_empty():
        return None
    zero, zero_data = zero_line()
    marks, mark_data = onset_marks(by_leg, onset)
    base = data("floors").encode(
        day_axis(floors.height), vega.y("w:Q", title="lowest hour of the night, W"), leg_colour(lines=lines)
    )
    layers = [
        zero,
        base.mark("line", strokeWidth=1, opacity=0.7),
        base.mark("point", size=40).encode(leg_shape(lines=lines)),
    ]
    return finish([*layers, *marks], {"floors": rows(by_leg)} | zero_data | mark_data, height=190)


def _from(hours: pl.DataFrame, start: date | None) -> pl.DataFrame:
    return hours if start is None else hours.filter(pl.col("day") >= start)
