"""What several pictures share: finishing a spec, axes by day, the lines' colours and shapes, the zero line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeAlias

import polars as pl

from pipeline.core.services import LINES
from pipeline.report import theme, vega
from pipeline.report.vega import Channel, Layer, Spec

Rows: TypeAlias = list[dict[str, Any]]
_SHAPES = {"l1": "circle", "l2": "square", "l3": "triangle-up"}
TWO_LEGS = ("l1", "l2")
_MOST_TICKS = 8


def finish(layers: Sequence[Layer], datasets: dict[str, Rows], **size: Any) -> Spec:
    """Return the layers as one spec as wide as its container, with the shared config and its named data."""
    spec = vega.layered(layers, width="container", **size)
    fit = {"type": "fit-x", "contains": "padding"}
    return {"config": theme.config(), **spec, "autosize": fit, "datasets": datasets}


def data(name: str) -> Layer:
    """Return an empty layer on one of the spec's named datasets."""
    return Layer(name)


def rows(frame: pl.DataFrame) -> Rows:
    """Return a frame as a list of rows with dates as ISO text."""
    return frame.with_columns(pl.col(pl.Date).dt.to_string("%Y-%m-%d")).to_dicts()


def whole(column: str) -> pl.Expr:
    """Return a column in whole numbers, which keeps pages small."""
    return pl.col(column).round().cast(pl.Int64)


def quantile(values: pl.Series, share: float) -> float:
    """Return an interpolated quantile, 0 where there are no values."""
    return float(values.quantile(share, interpolation="linear") or 0.0)


def day_axis(days: int) -> Channel:
    """Return an axis over that many days, in UTC so that the reader's own time zone can't shift a date."""
    ticks: Any = "day" if days <= _MOST_TICKS else _MOST_TICKS
    axis = vega.axis(format="%-d %b", tickCount=ticks, grid=False)
    return vega.x("day:T", title=None, scale=vega.scale(type="utc", padding=8), axis=axis)


def leg_colour(title: str | None = None, *, lines: Sequence[str] = TWO_LEGS) -> Channel:
    """Return the colours of a home's lines (l1, ...) with a legend."""
    scale = vega.scale(domain=_names(lines), range=[theme.light(line) for line in lines])
    return vega.colour("leg:N", scale=scale, legend=vega.legend(title=title))


def leg_shape(*, lines: Sequence[str] = TWO_LEGS) -> Channel:
    """Return the lines' shapes: they differ in more than colour."""
    return vega.shape(
        "leg:N", scale=vega.scale(domain=_names(lines), range=[mark_of(line) for line in lines])
    )


def mark_of(line: str) -> str:
    """Return the shape of a line's marks in every picture."""
    return _SHAPES[line]


def lines_in(frame: pl.DataFrame, column: str) -> tuple[str, ...]:
    """Return the lines that `column` ("slope_{}") is known of: both legs at least, as most homes have two."""
    name = column.format("l3")
    has_third = name in frame.columns and frame.get_column(name).drop_nulls().len() > 0
    return LINES if has_third else TWO_LEGS


def _names(lines: Sequence[str]) -> list[str]:
    return [line.upper() for line in lines]


def zero_line() -> tuple[Layer, dict[str, Rows]]:
    """Return a line at 0 W (or slope 0) and its data."""
    rule = data("zero").mark("rule", color=theme.light("quiet"), strokeWidth=1).encode(vega.y("zero:Q"))
    return rule, {"zero": [{"zero": 0}]}
