"""The pictures of dots: each crew's installs by month, and which faults by crew and by position."""

from __future__ import annotations

import polars as pl

from pipeline.faults.fault_text import fault_title_column
from pipeline.report import theme, vega
from pipeline.report.chart_parts import data, finish, rows
from pipeline.report.vega import Spec

_ROW_PX = 26
_LARGEST_PX2 = 420
_LEAST = 0.05  # faults below which a dot would be too small to see
_MOST_MONTHS = 18


def months(month: pl.DataFrame, change: pl.DataFrame, crews: list[str]) -> Spec | None:
    """Return a dot a crew and month of commissioning: size its installs, shade its rate; bars where a crew changed.

    `month` is view crew_month, `change` table crew_change; `crews` are the rows from the top. The last 18 months that
    have installs are shown; None without any.
    """
    shown = month.filter(pl.col("crew_id").is_in(crews) & (pl.col("heard") > 0))
    if shown.is_empty():
        return None
    every = shown["month"].unique().sort().to_list()[-_MOST_MONTHS:]
    cells = shown.filter(pl.col("month").is_in(every)).select(
        "crew_id", "month", "heard", pl.col("rate", "rate_low", "rate_high").round(3),
        faults=(pl.col("confirmed_faults") + pl.col("expected_faults")).round(1),
    )  # fmt: skip
    marks = change.select(
        "crew_id", month=pl.col("changed_on").dt.to_string("%Y-%m"), on="changed_on"
    ).filter(pl.col("crew_id").is_in(crews) & pl.col("month").is_in(every))
    top = max(0.1, float(cells["rate"].quantile(0.95) or 0.1))
    shade = vega.scale(
        domain=[0, round(top, 2)], range=[theme.light("zero"), theme.light("negative_far")], clamp=True
    )
    crew = vega.y("crew_id:N", title=None, scale=vega.scale(domain=crews), axis=vega.axis(labelLimit=120))
    when = vega.x(
        "month:O", title="month of commissioning", scale=vega.scale(domain=every),
        axis=vega.axis(labelAngle=-50),
    )  # fmt: skip
    sizes = vega.scale(range=[15, _LARGEST_PX2], zero=True)
    shades = vega.legend(title="wrong from the first day", format=".0%", gradientLength=120)
    dots = (
        data("cells").mark("circle", stroke=theme.light("quiet"), strokeWidth=1, opacity=1)
        .encode(
            when, crew,
            vega.size("heard:Q", scale=sizes, legend=_size_legend("installs")),
            vega.colour("rate:Q", scale=shade, legend=shades),
            tooltip=[
                vega.tooltip("crew_id:N", title="crew"), vega.tooltip("month:N"),
                vega.tooltip("heard:Q", title="installs"),
                vega.tooltip("faults:Q"), vega.tooltip("rate:Q", format=".1%"),
                vega.tooltip("rate_low:Q", title="95 % from", format=".1%"),
                vega.tooltip("rate_high:Q", title="to", format=".1%"),
            ],
        )
    )  # fmt: skip
    bars = data("changes").mark(
        "tick", orient="vertical", thickness=4, size=24, xOffset=-13, color=theme.light("ink")
    )
    layers = [dots, bars.encode(when, crew)]
    return finish(layers, {"cells": rows(cells), "changes": rows(marks)}, height=_ROW_PX * len(crews))


def fault_dots(
    faults: pl.DataFrame, by: str, order: list[str], *, line_count: int | None = None
) -> Spec | None:
    """Return a ring a row and fault as big as found and expected faults, the found ones filled.

    None without a fault.

    Parameters
    ----------
    faults
        Columns `by`, fault, confirmed_faults and expected_faults, summed here.
    by, order
        What a row is of, and the rows from the top.
    line_count
        The most lines that a home of the fleet has: faults are named in its words; None: two.
    """
    summed = (
        faults.filter(pl.col(by).is_in(order))
        .group_by(by, "fault", maintain_order=True)
        .agg(pl.col("confirmed_faults", "expected_faults").sum())
        .select(
            pl.col(by).str.replace_all("_", " ").alias("row"),
            fault_title_column(pl.col("fault"), pl.lit(line_count, pl.Int64)),
            found=pl.col("confirmed_faults"),
            both=(pl.col("confirmed_faults") + pl.col("expected_faults")).round(1),
        )
        .filter(pl.col("both") >= _LEAST)
        .sort("row", "fault")
    )
    if summed.is_empty():
        return None
    kinds = (
        summed.group_by("fault", maintain_order=True)
        .agg(pl.col("both").sum())
        .sort("both", "fault", descending=[True, False])
    )
    row_names = [name.replace("_", " ") for name in order]
    y = vega.y(
        "row:N", title=None, scale=vega.scale(domain=row_names), axis=vega.axis(labelLimit=140, grid=True)
    )
    x = vega.x(
        "fault:N", title=None, scale=vega.scale(domain=kinds["fault"].to_list()),
        axis=vega.axis(labelAngle=-50, labelLimit=320, labelOverlap=False, orient="bottom"),
    )  # fmt: skip
    scale = vega.scale(domain=[0, float(summed["both"].max())], range=[0, _LARGEST_PX2])  # type: ignore[arg-type]
    tooltips = [
        vega.tooltip("row:N", title=by.replace("_", " ")), vega.tooltip("fault:N"), vega.tooltip("found:Q"),
        vega.tooltip("both:Q", title="found and expected"),
    ]  # fmt: skip
    rings = data("faults").mark("point", shape="circle", filled=False, strokeWidth=1.8, opacity=1).encode(
        x, y, vega.size("both:Q", scale=scale, legend=_size_legend("faults")),
        color=vega.value(theme.light("positive_far")), tooltip=tooltips,
    )  # fmt: skip
    filled = (
        data("faults")
        .mark("point", shape="circle", filled=True, opacity=1)
        .encode(
            x,
            y,
            vega.size("found:Q", scale=scale),
            color=vega.value(theme.light("positive_far")),
            tooltip=tooltips,
        )
    )
    return finish([rings, filled], {"faults": rows(summed)}, height=_ROW_PX * len(row_names))


def _size_legend(title: str) -> Spec:
    return vega.legend(
        title=title, tickCount=3, symbolFillColor=theme.light("quiet"), symbolStrokeColor=theme.light("quiet")
    )
