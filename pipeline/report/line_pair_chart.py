"""The picture of one line against another, hour by hour: a cloud where each CT is on a line of its own."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.report import theme, vega, words
from pipeline.report.chart_parts import Rows, data, finish, quantile, rows, whole
from pipeline.report.series import HomeSeries
from pipeline.report.vega import Spec

_DARK_HOURS = (0, 3)
_SUN_W = 20.0  # hours with more production than this are hours with sun
_REACH = 0.995  # share of the hours inside the axes
_LEAST_HOURS = 3
_OTHERS_SHARE = 0.5  # of a load on a line 120 degrees off, with the other sign


def line_against_line(series: HomeSeries, pair: tuple[str, str], start: date | None) -> Spec | None:
    """Return each hour's mean W of the pair's second line (up) against its first (across), from `start` on.

    Hours with sun are grey. Lines 120 degrees apart read minus half of each other's load, so a CT on the other line is
    drawn as a line through it.
    """
    points = _hours(series, pair, start)
    if points.is_empty():
        return None
    reach = max(quantile(points.get_column(line).abs(), _REACH) for line in ("a", "b")) or 1.0
    one, other = (words.leg(line) for line in pair)
    reads = {
        f"CT of {other} on {one}": (1.0, -_OTHERS_SHARE),
        f"CT of {one} on {other}": (-_OTHERS_SHARE, 1.0),
    }
    names = list(reads)
    lines: Rows = [
        {"line": name, "a": end * a * reach, "b": end * b * reach}
        for name, (a, b) in reads.items()
        for end in (-1, 1)
    ]
    domain = vega.scale(domain=[-reach, reach], nice=True, clamp=True)
    x, y = (
        vega.x("a:Q", title=f"{words.leg(pair[0])}, W", scale=domain),
        vega.y("b:Q", title=f"{words.leg(pair[1])}, W", scale=domain),
    )
    dash = vega.dash(
        "line:N",
        scale=vega.scale(domain=names, range=[[1, 0], [6, 4]]),
        legend=vega.legend(title=None, symbolType="stroke", symbolSize=300),
    )
    line = data("lines").mark("line", strokeWidth=1.2, color=theme.light("quiet"))
    sunny = data("sunny").mark("point", filled=True, size=12, opacity=0.5, color=theme.light("prior"))
    dots = data("hours").mark("point", filled=True, size=24, opacity=0.5, color=theme.light("ink"))
    told = [vega.tooltip("a:Q", title=words.leg(pair[0])), vega.tooltip("b:Q", title=words.leg(pair[1]))]
    layers = [line.encode(x, y, dash), sunny.encode(x, y), dots.encode(x, y, tooltip=told)]
    shown = points.select("is_sunny", a=whole("a"), b=whole("b"))
    tables = {
        "hours": rows(shown.filter(~pl.col("is_sunny")).drop("is_sunny")),
        "sunny": rows(shown.filter("is_sunny").drop("is_sunny")),
        "lines": lines,
    }
    return finish(layers, tables, height=260)


def pair_caption(series: HomeSeries, pair: tuple[str, str], start: date | None) -> str:
    """Return what the picture shows, with the correlation of the pair's hours from midnight to 4:00."""
    dark = _hours(series, pair, start).filter(pl.col("hour").is_between(*_DARK_HOURS))
    alike = dark.select(pl.corr("a", "b")).item() if dark.height >= _LEAST_HOURS else None
    since = "" if start is None else f" since {words.day(start)}"
    return (
        f"Each dot is an hour{since}; grey dots are hours with sun, which moves every line. Correlation from midnight "
        f"to 4:00: {words.number(alike, 2, sign=True)}, of {words.count(dark.height, 'hour')}. Two lines with loads of "
        "their own make a cloud. Dots along a line come from two CTs on one line: the misplaced one reads minus half "
        "of it, or half where it is turned around as well."
    )


def _hours(series: HomeSeries, pair: tuple[str, str], start: date | None) -> pl.DataFrame:
    """Return hour, a, b [W] of the pair's lines, and whether the sun shone, of hours with both."""
    hours = series.hours if start is None else series.hours.filter(pl.col("day") >= start)
    return hours.select(
        "hour",
        a=pl.col(f"{pair[0]}_w"),
        b=pl.col(f"{pair[1]}_w"),
        is_sunny=(pl.col("pv_w") > _SUN_W).fill_null(False),
    ).drop_nulls(["a", "b"])
