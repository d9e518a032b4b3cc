"""What several pictures share: finishing a spec, axes by day, the legs' colours and shapes, the zero line."""

from __future__ import annotations

import json
from typing import Any, TypeAlias

import altair as alt
import polars as pl

from pipeline.report import theme

Spec: TypeAlias = dict[str, Any]
Rows: TypeAlias = list[dict[str, Any]]
Z95 = 1.96
_LEGS = ["L1", "L2"]
_MOST_TICKS = 8


def finish(layers: list[alt.Chart], datasets: dict[str, Rows], **size: Any) -> Spec:
    """Return the layers as one spec as wide as its container, with the shared config and its named data.

    Altair's own check of the spec is left out: it takes longer than all else, and the tests render each.
    """
    chart = alt.layer(*layers).properties(width="container", **size)
    spec: Spec = json.loads(json.dumps(chart.to_dict(validate=False)))
    fit = {"type": "fit-x", "contains": "padding"}
    return spec | {"config": theme.config(), "autosize": fit, "datasets": datasets}


def data(name: str) -> alt.Chart:
    """Return an empty chart on one of the spec's named datasets."""
    return alt.Chart(alt.NamedData(name))


def rows(frame: pl.DataFrame) -> Rows:
    """Return a frame as a list of rows with dates as ISO text."""
    return frame.with_columns(pl.col(pl.Date).dt.to_string("%Y-%m-%d")).to_dicts()


def whole(column: str) -> pl.Expr:
    """Return a column in whole numbers, which keeps pages small."""
    return pl.col(column).round().cast(pl.Int64)


def quantile(values: pl.Series, share: float) -> float:
    """Return an interpolated quantile, 0 where there are no values."""
    return float(values.quantile(share, interpolation="linear") or 0.0)


def day_axis(days: int) -> alt.X:
    """Return an axis over that many days, in UTC so that the reader's own time zone can't shift a date."""
    ticks: Any = "day" if days <= _MOST_TICKS else _MOST_TICKS
    axis = alt.Axis(format="%-d %b", tickCount=ticks, grid=False)
    return alt.X("day:T", title=None, scale=alt.Scale(type="utc", padding=8), axis=axis)


def leg_colour(title: str | None = None) -> alt.Color:
    """Return the two legs' colours with a legend."""
    scale = alt.Scale(domain=_LEGS, range=[theme.light("l1"), theme.light("l2")])
    return alt.Color("leg:N", scale=scale, legend=alt.Legend(title=title))


def leg_shape() -> alt.Shape:
    """Return the two legs' shapes: legs differ in more than colour."""
    return alt.Shape("leg:N", scale=alt.Scale(domain=_LEGS, range=["circle", "square"]))


def zero_line() -> tuple[alt.Chart, dict[str, Rows]]:
    """Return a line at 0 W (or slope 0) and its data."""
    rule = data("zero").mark_rule(color=theme.light("quiet"), strokeWidth=1).encode(alt.Y("zero:Q"))
    return rule, {"zero": [{"zero": 0}]}
