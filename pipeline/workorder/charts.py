"""Pictures that only work orders have, as Vega-Lite specs; place, shape and dash tell things apart, in grey too."""

from __future__ import annotations

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
    rows,
    whole,
    zero_line,
)
from pipeline.report.charts import by_leg_rows, onset_marks
from pipeline.report.series import HomeSeries
from pipeline.report.vega import Spec

_LEGS = ("l1", "l2")


def day_profile(series: HomeSeries, start: date | None) -> Spec | None:
    """Return the mean W of each leg and of production by local hour of the day, over the days from `start` on."""
    hours = _from(series.hours, start)
    names = [("L1", "l1_w"), ("L2", "l2_w"), ("production", "pv_w")]
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
    colours = {"L1": theme.light("l1"), "L2": theme.light("l2"), "production": theme.light("ink")}
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
    dashes = {"L1": [1, 0], "L2": [6, 3], "production": [2, 2]}
    shapes = {"L1": "circle", "L2": "square", "production": "cross"}
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


def leg_against_leg(series: HomeSeries, start: date | None) -> Spec | None:
    """Return each hour's mean W of L2 (up) against L1 (across), with the lines of a copy and of a mirror image."""
    points = _from(series.hours, start).select(l1=whole("l1_w"), l2=whole("l2_w")).drop_nulls()
    if points.is_empty():
        return None
    reach = max(float(points[leg].abs().quantile(0.995, interpolation="linear") or 0) for leg in _LEGS) or 1.0
    lines: Rows = [
        {"line": name, "l1": at * reach, "l2": sign * at * reach}
        for name, sign in (("a copy", 1), ("a mirror image", -1))
        for at in (-1, 1)
    ]
    domain = vega.scale(domain=[-reach, reach], nice=True, clamp=True)
    x, y = vega.x("l1:Q", title="L1, W", scale=domain), vega.y("l2:Q", title="L2, W", scale=domain)
    dots = data("hours").mark("point", filled=True, size=14, opacity=0.5, color=theme.light("ink"))
    names = ["a copy", "a mirror image"]
    dash = vega.dash(
        "line:N",
        scale=vega.scale(domain=names, range=[[1, 0], [6, 4]]),
        legend=vega.legend(title=None, symbolType="stroke", symbolSize=400),
    )
    line = data("lines").mark("line", strokeWidth=1.2, color=theme.light("quiet"))
    return finish(
        [line.encode(x, y, dash), dots.encode(x, y)], {"hours": rows(points), "lines": lines}, height=190
    )


def zero_shares(days: pl.DataFrame, onset: date | None) -> Spec | None:
    """Return each day's share of intervals in which a leg reads zero while the rest lives, both legs."""
    shares = by_leg_rows(days, {"share": "zero_{}_share"}).drop_nulls("share")
    if shares.is_empty():
        return None
    top = max(0.1, float(shares.get_column("share").max() or 0))  # type: ignore[arg-type]
    scale = vega.scale(domain=[0, top], nice=True)
    marks, mark_data = onset_marks(shares, onset)
    base = data("shares").encode(
        day_axis(days.height),
        vega.y("share:Q", title="of the day at zero", scale=scale, axis=vega.axis(format="%")),
        leg_colour(),
    )
    layers = [
        base.mark("line", strokeWidth=1, opacity=0.7),
        base.mark("point", size=40).encode(leg_shape()),
        *marks,
    ]
    return finish(layers, {"shares": rows(shares)} | mark_data, height=190)


def night_floors(series: HomeSeries, dark_hours: tuple[int, int], onset: date | None) -> Spec | None:
    """Return the lowest hour of each night of both legs [W], between the local hours `dark_hours` (first, end)."""
    first, end = dark_hours
    floors = (
        series.hours.filter(pl.col("hour").is_between(first, end - 1))
        .group_by("day")
        .agg(pl.col("l1_w", "l2_w").min())
        .sort("day")
    )
    by_leg = by_leg_rows(floors, {"w": "{}_w"}).drop_nulls("w").with_columns(whole("w"))
    if by_leg.is_empty():
        return None
    zero, zero_data = zero_line()
    marks, mark_data = onset_marks(by_leg, onset)
    base = data("floors").encode(
        day_axis(floors.height), vega.y("w:Q", title="lowest hour of the night, W"), leg_colour()
    )
    layers = [
        zero,
        base.mark("line", strokeWidth=1, opacity=0.7),
        base.mark("point", size=40).encode(leg_shape()),
    ]
    return finish([*layers, *marks], {"floors": rows(by_leg)} | zero_data | mark_data, height=190)


def _from(hours: pl.DataFrame, start: date | None) -> pl.DataFrame:
    return hours if start is None else hours.filter(pl.col("day") >= start)
