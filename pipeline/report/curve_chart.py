"""The charts of the page Expected value: decision curves, and predicted against found."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.report import theme, vega, words
from pipeline.report.chart_parts import Rows, data, finish, rows, zero_line
from pipeline.report.vega import Spec

# name: (colour, dashes): lines differ in more than colour.
_POLICIES = {
    "by likelihood": ("against", [1, 0]),
    "every home": ("supports", [8, 4]),
    "none": ("quiet", [2, 3]),
}
# column of table decision_curve: name, colour, dashes
_TESTED = {"promised": ("predicted", "expected", [6, 4]), "confirmed": ("found", "l1", [1, 0])}
_PER = 100  # net benefit is shown for so many homes
_BAR_PX = 22
MOST_MONTHS = 12


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
    """Return net benefit among the visited homes as predicted and as found, with its 95 % band; None with too few."""
    known = curve.drop_nulls("confirmed")
    if known.is_empty():
        return None
    lines = [
        {"threshold": row["threshold"], "policy": name, "benefit": _hundred(row[column])}
        for column, (name, _, _) in _TESTED.items()
        for row in known.iter_rows(named=True)
    ]
    band = known.select(
        "threshold", *((pl.col(f"confirmed_{end}") * _PER).round(3).alias(end) for end in ("low", "high"))
    )
    top = max(line["benefit"] for line in lines)
    reach = (-0.35 * top if top > 0 else -_PER, max(1.08 * top, 1.0))
    styles = {name: (colour, dashes) for name, colour, dashes in _TESTED.values()}
    return _lines(lines, styles, "policy", reach, threshold, rows(band))


def hit_rate_chart(months: pl.DataFrame) -> Spec | None:
    """Return the shares of visits that found a fault and were to find one, the last MOST_MONTHS months; None without.

    `months` are the rows of table hit_rate of one way of fixing that have a month and visits. The grey bar is where the
    share lies if the likelihoods are right; the point has Wilson's 95 % interval; a month that differs is a diamond.
    """
    if months.is_empty():
        return None
    share = (
        months.sort("month")
        .tail(MOST_MONTHS)
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
            .otherwise(pl.lit("found, differs")),
        )
    )
    month = vega.x("month:O", title=None, axis=vega.axis(labelAngle=-45, labelOverlap=False))
    scale, axis = vega.scale(domain=[0, 1]), vega.axis(format=".0%", tickCount=5)
    base = data("months").encode(month)
    held = base.mark("bar", size=_BAR_PX, color=theme.light("grid")).encode(
        vega.y("held_low:Q", scale=scale, axis=axis, title="visits that found a fault"),
        vega.y2("held_high:Q"),
    )
    promised = base.mark(
        "point", shape="stroke", size=_BAR_PX**2, strokeWidth=2, color=theme.light("expected")
    ).encode(vega.y("promised:Q"))
    bars = base.mark("rule", strokeWidth=2, color=theme.light("l1")).encode(
        vega.y("low:Q"), vega.y2("high:Q")
    )
    states = ["found", "found, differs"]
    told = [
        vega.tooltip("month:N"),
        vega.tooltip("said:N", title="found"),
        vega.tooltip("promised:Q", format=".0%", title="predicted"),
    ]
    colours = vega.scale(domain=states, range=[theme.light("l1"), theme.light("supports")])
    shapes = vega.scale(domain=states, range=["circle", "diamond"])
    points = base.mark("point", filled=True, size=110).encode(
        vega.y("found:Q"),
        vega.colour("state:N", scale=colours, legend=vega.legend(title=None)),
        vega.shape("state:N", scale=shapes, title=None, legend=None),
        tooltip=told,
    )
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
    colours = vega.scale(domain=names, range=[theme.light(colour) for colour, _ in styles.values()])
    dashes = vega.scale(domain=names, range=[dash for _, dash in styles.values()])
    x = vega.x(
        "threshold:Q",
        title="likelihood from which homes are visited",
        scale=vega.scale(domain=[0, 1], nice=False),
        axis=vega.axis(format=".0%", grid=False, tickCount=5),
    )
    y = vega.y(
        "benefit:Q",
        title="net benefit in 100 homes",
        scale=vega.scale(domain=[round(end, 3) for end in reach], nice=False),
    )
    legend = vega.legend(title=None, symbolType="stroke", symbolSize=400, symbolStrokeWidth=2.5)
    drawn = (
        data("lines")
        .mark("line", strokeWidth=2.5, clip=True)
        .encode(
            x,
            y,
            vega.colour(f"{series}:N", scale=colours, legend=legend),
            vega.dash(f"{series}:N", scale=dashes, legend=legend),
        )
    )
    zero, zero_data = zero_line()
    layers, tables = [zero, drawn], {"lines": lines} | zero_data
    if band:
        area = data("band").mark("area", opacity=0.18, color=theme.light("l1"), clip=True)
        layers.insert(0, area.encode(x, vega.y("low:Q", title=None), vega.y2("high:Q")))
        tables["band"] = band
    if threshold is not None:
        tables["cut"] = [{"threshold": round(threshold, 4), "name": f"pays from {words.percent(threshold)}"}]
        layers += _cut(threshold)
    return finish(layers, tables, height=280)


def _cut(threshold: float) -> list[Any]:
    rule = data("cut").mark("rule", strokeWidth=2, strokeDash=[2, 3], color=theme.light("ink"))
    is_right = threshold > 0.6
    name = data("cut").mark("text", align="right" if is_right else "left", dx=-5 if is_right else 5, dy=8)
    x = vega.x("threshold:Q")
    return [rule.encode(x), name.encode(x, vega.text("name:N"), y=vega.value(0))]
