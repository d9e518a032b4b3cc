"""The picture of a leg against PV: the install's sign, gain and scope as the lean of a cloud."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.core.quantiles import Z95
from pipeline.report import theme, vega, words
from pipeline.report.chart_parts import Rows, data, finish, mark_of, quantile, rows, whole, zero_line
from pipeline.report.vega import Spec

_LABELS = {"fitted": "measured", "expected": "right"}


def leg_against_pv(
    points: pl.DataFrame,
    leg: str,
    slope: float | None,
    *,
    se: float | None,
    expected: float | None,
    start: date | None,
) -> Spec | None:
    """Return daylight hours (day, hour, pv_w, leg_w) with the fitted and expected slopes, both in W per W.

    Both lines pass through the hours' median point. Days before `start` had no part in the slope: they are
    small grey dots and not in the median point. The band is the slope's 95 % interval (1.96 `se`).

    Parameters
    ----------
    points
        Columns day, hour, pv_w, leg_w [W].
    leg
        Name of the leg in the labels.
    slope
        Fitted slope [W/W].
    se
        Its standard error [W/W].
    expected
        The slope of a right install [W/W].
    start
        First day that had a part in the slope.
    """
    if points.is_empty():
        return None
    is_used = pl.lit(True) if start is None else pl.col("day") >= start
    used, earlier = points.filter(is_used), points.filter(~is_used)
    pv, level = used.get_column("pv_w"), used.get_column("leg_w")
    middle = quantile(pv, 0.5), quantile(level, 0.5)
    ends = (quantile(pv, 0), middle[0], quantile(pv, 1))
    drawn = {"fitted": slope, "expected": expected} if used.height else {}
    x, y = vega.x("pv:Q", title="PV production, W"), vega.y("w:Q", title=f"{words.leg(leg)}, W")
    zero, zero_data = zero_line()
    old = data("earlier").mark("point", filled=True, size=12, opacity=0.5, color=theme.light("prior"))
    dots = data("hours").mark(
        "point", filled=True, size=24, opacity=0.4, color=theme.light(leg), shape=mark_of(leg)
    )
    told = [vega.tooltip("day:N"), vega.tooltip("hour:O"), vega.tooltip("pv:Q"), vega.tooltip("w:Q")]
    layers = [zero, dots.encode(x, y, tooltip=told)]
    if earlier.height:
        layers.insert(1, old.encode(x, y))
    band = _band(ends, middle, slope, se) if drawn else []
    if band:
        area = data("band").mark("area", opacity=0.25, color=theme.light(leg))
        layers.append(area.encode(vega.x("pv:Q"), vega.y("low:Q"), vega.y2("high:Q")))
    lines, style = _lines(ends, middle, drawn, se)
    if lines:
        colours = [theme.light(leg if name == "fitted" else "expected") for name in style.values()]
        dashes = [[1, 0] if name == "fitted" else [6, 4] for name in style.values()]
        legend = vega.legend(title="slope, W per W of PV", symbolType="stroke", symbolSize=300)
        colour = vega.colour("line:N", scale=vega.scale(domain=list(style), range=colours), legend=legend)
        dash = vega.dash("line:N", scale=vega.scale(domain=list(style), range=dashes))
        layers.append(
            data("lines").mark("line", strokeWidth=2.5).encode(vega.x("pv:Q"), vega.y("w:Q"), colour, dash)
        )
    short = "day", "hour", whole("pv_w").alias("pv"), whole("leg_w").alias("w")
    tables = {
        "hours": rows(used.select(short)),
        "earlier": rows(earlier.select(short)),
        "lines": lines,
        "band": band,
    }
    return finish(layers, tables | zero_data, height=260)


def _lines(
    ends: tuple[float, ...], middle: tuple[float, float], slopes: dict[str, float | None], se: float | None
) -> tuple[Rows, dict[str, str]]:
    """Return the lines' points and, by label in the legend, which line it is."""
    lines: Rows = []
    style: dict[str, str] = {}
    for name, value in slopes.items():
        if value is not None:
            label = f"{_LABELS[name]} {words.slope(value, se if name == 'fitted' else None)}"
            style[label] = name
            lines += [
                {"line": label, "pv": round(pv), "w": round(middle[1] + value * (pv - middle[0]))}
                for pv in ends
            ]
    return lines, style


def _band(
    ends: tuple[float, ...], middle: tuple[float, float], slope: float | None, se: float | None
) -> Rows:
    if slope is None or se is None:
        return []
    found = []
    for pv in ends:
        centre, half = middle[1] + slope * (pv - middle[0]), Z95 * se * abs(pv - middle[0])
        found.append({"pv": round(pv), "low": round(centre - half), "high": round(centre + half)})
    return found
