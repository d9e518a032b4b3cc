"""The pictures of how crews compare: the funnel plot, and each crew's fair rate with its interval."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.crews.funnel import LIMITS, outside_from
from pipeline.report import theme, vega, words
from pipeline.report.chart_parts import Rows, data, finish, rows
from pipeline.report.vega import Channel, Spec

LIKE, OUTSIDE, STANDS_OUT = (
    "not significantly different", "outside the limits, may be chance", "significantly different",
)  # fmt: skip
# status: (colour, shape, filled): crews differ in more than colour
_STATUS = {
    LIKE: ("quiet", "circle"),
    OUTSIDE: ("supports", "triangle-up"),
    STANDS_OUT: ("negative_far", "diamond"),
}
_LINES = {"99.8 %": [1, 0], "95 %": [6, 4]}
_STEPS = 120
_ROW_PX = 24
_FAR = 100  # a ratio beyond it, or below its inverse, is as good as any


def funnel(quality: pl.DataFrame, fleet_rate: float) -> Spec | None:
    """Return each ranked crew's case-mix adjusted rate by its effective number of installs, with the control limits.

    `quality` is table crew_quality. None where no crew has enough judged installs, or no fault is known or likely.
    """
    shown = quality.filter("is_ranked").drop_nulls("worth_rate")
    if shown.is_empty() or not 0 < fleet_rate < 1:
        return None
    points = shown.select(
        "crew_id",
        status(),
        homes=pl.col("worth_installs").round(1),
        rate=pl.col("worth_rate").round(4),
    )
    most = float(points["homes"].max()) * 1.08 + 1  # type: ignore[arg-type]
    named = pl.col("status") != LIKE
    is_right = (
        pl.col("homes") > most / 2
    )  # a name there is written towards the middle, so that none is cut off
    points = points.with_columns(
        label=pl.when(named & ~is_right).then("crew_id").otherwise(pl.lit("")),
        label_before=pl.when(named & is_right).then("crew_id").otherwise(pl.lit("")),
    )
    sizes = np.unique(np.round(np.geomspace(3, max(most, 6), _STEPS)))
    lines = [
        {"homes": float(size), "rate": round(float(value), 4), "limits": name, "side": side}
        for side, share in enumerate(LIMITS)
        for name in [("99.8 %", "95 %", "95 %", "99.8 %")[side]]
        for size, value in zip(sizes, outside_from(share, sizes, fleet_rate), strict=True)
    ]
    top = min(1.0, 1.15 * max(float(points["rate"].max()), 2.5 * fleet_rate))  # type: ignore[arg-type]
    x = vega.x(
        "homes:Q", title="effective number of installs",
        scale=vega.scale(domain=[0, round(most)], nice=False), axis=vega.axis(grid=False),
    )  # fmt: skip
    y = vega.y(
        "rate:Q", title="rate, adjusted for case mix", axis=vega.axis(format=".0%"),
        scale=vega.scale(domain=[0, round(top, 3)], nice=False, clamp=False),
    )  # fmt: skip
    dash = vega.dash(
        "limits:N", scale=vega.scale(domain=list(_LINES), range=list(_LINES.values())),
        # below the picture: beside the other legend, both were cut off on a narrow screen
        legend=vega.legend(title="control limits", orient="bottom", titleOrient="left", symbolSize=400),
    )  # fmt: skip
    curves = (
        data("limits").mark("line", color=theme.light("prior"), strokeWidth=1.5, clip=True)
        .encode(x, y, dash, detail=vega.shown("side:N"))
    )  # fmt: skip
    middle = (
        data("fleet").mark("rule", color=theme.light("expected"), strokeWidth=1.5).encode(vega.y("rate:Q"))
    )
    base = data("crews").encode(x, y)
    dots = base.mark("point", filled=True, size=90, opacity=1).encode(
        *_status_marks(),
        tooltip=[
            vega.tooltip("crew_id:N", title="crew"), vega.tooltip("homes:Q", title="effective installs"),
            vega.tooltip("rate:Q", format=".1%"), vega.tooltip("status:N"),
        ],
    )  # fmt: skip
    names = [
        base.mark("text", align="left", dx=9, dy=-4).encode(vega.text("label:N")),
        base.mark("text", align="right", dx=-9, dy=-4).encode(vega.text("label_before:N")),
    ]
    tables: dict[str, Rows] = {
        "limits": lines,
        "fleet": [{"rate": round(fleet_rate, 4)}],
        "crews": rows(points),
    }
    return finish([curves, middle, dots, *names], tables, height=340)


def fair_rates(quality: pl.DataFrame, fleet_rate: float, most_crews: int) -> Spec | None:
    """Return each ranked crew's fair rate with its 95 % interval, the highest on top, beside the unadjusted rate.

    Of more than `most_crews` the ones with most judged installs. None without a ranked crew.
    """
    shown = most_judged(quality.filter("is_ranked").drop_nulls("fair_rate"), most_crews)
    if shown.is_empty():
        return None
    points = shown.select(
        "crew_id", status(), *(pl.col(f"fair_{part}").round(4).alias(part) for part in ("rate", "low", "high")),
        plain=pl.col("rate").round(4),
    ).sort("rate", "crew_id", descending=[True, False])  # fmt: skip
    top = min(1.0, 1.1 * max(float(points[c].max()) for c in ("high", "plain")))  # type: ignore[arg-type]
    crew = vega.y("crew_id:N", title=None, sort=points["crew_id"].to_list(), axis=vega.axis(labelLimit=120))
    scale = vega.scale(domain=[0, round(top, 3)], nice=False)
    axis = vega.axis(format=".0%", tickCount=6)
    x = vega.x("rate:Q", title="share of installs wrong from the first day", scale=scale, axis=axis)
    base = data("crews").encode(crew)
    line = (
        data("fleet").mark("rule", color=theme.light("expected"), strokeDash=[6, 4]).encode(vega.x("rate:Q"))
    )
    bars = base.mark("rule", strokeWidth=3, color=theme.light("prior")).encode(
        vega.x("low:Q"), vega.x2("high:Q")
    )
    plain = base.mark("tick", thickness=2, size=14, color=theme.light("l1")).encode(vega.x("plain:Q"))
    dots = base.mark("point", filled=True, size=90, opacity=1).encode(
        x, *_status_marks(),
        tooltip=[
            vega.tooltip("crew_id:N", title="crew"), vega.tooltip("rate:Q", title="fair rate", format=".1%"),
            vega.tooltip("low:Q", format=".1%"), vega.tooltip("high:Q", format=".1%"),
            vega.tooltip("plain:Q", title="unadjusted rate", format=".1%"),
        ],
    )  # fmt: skip
    tables = {"crews": rows(points), "fleet": [{"rate": round(fleet_rate, 4)}]}
    return finish([bars, line, plain, dots], tables, height=_ROW_PX * points.height)


def most_judged(quality: pl.DataFrame, most: int) -> pl.DataFrame:
    """Return the `most` crews with most judged installs."""
    return quality.sort("judged", "crew_id", descending=[True, False]).head(most)


def status() -> pl.Expr:
    """Return a crew's status in words."""
    return (
        pl.when(pl.col("stands_out").is_not_null()).then(pl.lit(STANDS_OUT))
        .when(pl.col("is_outside")).then(pl.lit(OUTSIDE)).otherwise(pl.lit(LIKE)).alias("status")
    )  # fmt: skip


def _status_marks() -> tuple[Channel, Channel]:
    names = list(_STATUS)
    colours = vega.scale(domain=names, range=[theme.light(colour) for colour, _ in _STATUS.values()])
    shapes = vega.scale(domain=names, range=[shape for _, shape in _STATUS.values()])
    legend = vega.legend(title=None, columns=1, labelLimit=260)
    return vega.colour("status:N", scale=colours, legend=legend), vega.shape(
        "status:N", scale=shapes, legend=legend
    )


def percent_interval(value: float | None, low: float | None, high: float | None) -> str:
    """Return "4.1 % (2.0 to 7.9)", "–" where there is none; only between the two a line may end."""
    if value is None or low is None or high is None:
        return words.NOTHING
    middle, first, last = (words.number(part * 100, 1) for part in (value, low, high))
    return f"{middle}\u00a0% ({first}\u00a0to\u00a0{last})"


def ratio_interval(value: float | None, low: float | None, high: float | None) -> str:
    """Return "1.20 (0.80 to 1.90)", "–" where there is none; beyond a hundredfold only that."""
    if value is None or low is None or high is None:
        return words.NOTHING
    middle, first, last = (_ratio(part) for part in (value, low, high))
    return f"{middle} ({first}\u00a0to\u00a0{last})"


def _ratio(value: float) -> str:
    if value > _FAR:
        return f"over {_FAR}"
    if 0 < value < 1 / _FAR:
        return f"under {1 / _FAR:g}"
    return f"{value:.2f}" if value < 10 else f"{value:.0f}"
