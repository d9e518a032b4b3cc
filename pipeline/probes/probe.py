"""What a probe is made of: quantities with their errors, what is right, and which way a fault moves them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import polars as pl

from pipeline.core.services import LINES
from pipeline.probes.leg_text import Row

Shape = Literal["leg", "home", "contrast"]
Wrong = Literal["low", "high", "both", ""]
Scope = Literal["home", "pair"]


@dataclass(frozen=True)
class Quantity:
    """One number that a probe estimates.

    Parameters
    ----------
    name
        Its name within the probe.
    value
        Expression over table site_signal; called with each leg where each has its own, else with "l1" only.
    shape
        "leg": a value a leg; "home": one a home; "contrast": one a home whose sign turns when the legs are exchanged,
        positive where leg 2 shows more.
    se
        Standard error of the value [same unit]; None: not known, the fleet's spread has all of it.
    right
        The value at a right install of the home's declared position, null where the register doesn't say.
    wrong
        Which way faults move it: "low", "high", "both"; "" for what only says how to read the others.
    unit
        Of value and error.
    is_compared
        Whether a home's value is also held against how the fleet's own homes scatter.
    floor
        Least spread [unit] that a fleet's homes are taken to have: the resolution of meters.
    decides
        How far [unit] from right a value must lie to contradict a right install by itself; None: it never does alone.
    scope
        "pair": it is about two legs held against each other; three lines have one a pair of lines. A contrast always
        is.
    least_lines
        How many lines a home must have for it to be asked.
    """

    name: str
    value: Callable[[str], pl.Expr]
    shape: Shape = "home"
    se: Callable[[str], pl.Expr] | None = None
    right: pl.Expr | None = None
    wrong: Wrong = ""
    unit: str = "-"
    is_compared: bool = True
    floor: float = 1e-3
    decides: float | None = None
    scope: Scope = "home"
    least_lines: int = 1

    @property
    def is_of_pair(self) -> bool:
        """Whether homes of three lines have it a pair of lines."""
        return self.scope == "pair" or self.shape == "contrast"


# How many intervals of the home's span have a reading.
INTERVALS = (pl.col("coverage_share") * pl.col("days") * 1440 / pl.col("length_min")).round(0)


@dataclass(frozen=True)
class Probe:
    """A physical probe: `name` for tables, `label` for people, its quantities, and what it says of a home.

    `tell` returns one sentence, without a full stop, from a row of site_signal with the columns `reads`: what was
    measured, with its number, on which leg, and what right would be. `is_there` tells whether the probe could speak;
    `count` how much it rests on, and of what. `least_lines` is how many lines a home must have for it to be asked, and
    `label_of_three` what people call it at homes of three lines, where that is another name.
    """

    name: str
    label: str
    quantities: tuple[Quantity, ...]
    tell: Callable[[Row], str]
    reads: tuple[str, ...]
    is_there: pl.Expr
    count: tuple[pl.Expr, str] = (INTERVALS, "intervals")
    least_lines: int = 1
    label_of_three: str = ""

    def label_at(self, line_count: int) -> str:
        """Return what people call it at a home of so many lines."""
        return self.label_of_three if line_count > 2 and self.label_of_three else self.label


def column(template: str) -> Callable[[str], pl.Expr]:
    """Return an expression a leg: the column of this name, "{}" filled with the leg."""
    return lambda leg: pl.col(template.format(leg)).cast(pl.Float64)


def watts(template: str, scale: float = 20.0) -> Callable[[str], pl.Expr]:
    """Return asinh(W / scale) of a column a leg: even in ratios above some 20 W, in watts below."""
    return lambda leg: (pl.col(template.format(leg)).cast(pl.Float64) / scale).arcsinh()


def leg_quantity(name: str, template: str, wrong: Wrong = "", **fields: Any) -> Quantity:
    """Return a quantity of each leg that is a column of site_signal."""
    return Quantity(name, column(template), "leg", wrong=wrong, **fields)


def pair_quantity(name: str, column_name: str = "", wrong: Wrong = "", **fields: Any) -> Quantity:
    """Return a quantity of two legs together that is a column of site_signal, of its own name unless given."""
    return Quantity(name, column(column_name or name), "home", wrong=wrong, scope="pair", **fields)


def home_quantity(name: str, column_name: str = "", wrong: Wrong = "", **fields: Any) -> Quantity:
    """Return a quantity of the home that is a column of site_signal, of its own name unless another is given."""
    return Quantity(name, column(column_name or name), "home", wrong=wrong, **fields)


def columns_of_lines(*templates: str) -> tuple[str, ...]:
    """Return the columns of every line, "{}" in each template filled with it."""
    return tuple(template.format(line) for template in templates for line in LINES)


def watt_quantity(name: str, template: str, shape: Shape = "leg", *, wrong: Wrong = "") -> Quantity:
    """Return a power of a column of site_signal, as `watts`.

    Parameters
    ----------
    name
        Its name within the probe.
    template
        The column [W], "{}" for the leg.
    shape, wrong
        As of `Quantity`.
    """
    return Quantity(name, watts(template), shape, wrong=wrong, unit="asinh(W/20)", floor=0.05)
