"""The picture of a home's energy a day, as reported and put right."""

from __future__ import annotations

import polars as pl

from pipeline.report import theme, vega
from pipeline.report.chart_parts import data, day_axis, finish, rows
from pipeline.report.vega import Spec

NAMES = ("as reported", "put right")


def daily_energy(days: pl.DataFrame, quantity: str, title: str) -> Spec | None:
    """Return kWh a day as reported and put right with its 95 % interval; None without days.

    Parameters
    ----------
    days
        A home's rows of `Statement.day`.
    quantity
        use, net ...
    title
        What the upright axis shows.
    """
    wanted = {
        part: pl.col(f"{quantity}_kwh_{part}").round(2) for part in ("reported", "corrected", "low", "high")
    }
    known = days.select("day", **wanted).drop_nulls().sort("day")
    if known.is_empty():
        return None
    # A day without readings is a gap of its own: lines must not run across it.
    whole = known.select(pl.date_range(pl.col("day").min(), pl.col("day").max())).join(
        known, on="day", how="left"
    )
    is_spread = known.select((pl.col("high") - pl.col("low") > 0.005).any()).item()
    domain = list(NAMES)
    colour = vega.colour(
        "is:N",
        scale=vega.scale(domain=domain, range=[theme.light("supports"), theme.light("positive_far")]),
        legend=vega.legend(title=None),
    )
    shape = vega.shape("is:N", scale=vega.scale(domain=domain, range=["diamond", "circle"]))
    x = day_axis(whole.height)
    y = vega.y("kwh:Q", title=title, scale=vega.scale(zero=True))
    told = [vega.tooltip(name) for name in ("day:T", "is:N", "kwh:Q")]
    lines = data("days").mark("line", strokeWidth=1.5).encode(x, y, colour)
    points = (
        data("days").mark("point", filled=True, size=30, opacity=1).encode(x, y, colour, shape, tooltip=told)
    )
    layers = [lines, points]
    if is_spread:
        band = data("range").mark("area", opacity=0.3, color=theme.light("positive_near"))
        layers.insert(0, band.encode(x, vega.y("low:Q"), vega.y2("high:Q")))
    long = pl.concat(
        whole.select("day", pl.lit(name).alias("is"), kwh=column)
        for name, column in zip(NAMES, ("reported", "corrected"), strict=True)
    )
    tables = {"days": rows(long)} | ({"range": rows(whole.select("day", "low", "high"))} if is_spread else {})
    return finish(layers, tables, height=240)
