"""A home's readings as expressions, and what must be known of it to put them right."""

from __future__ import annotations

from typing import NamedTuple

import polars as pl

from pipeline.core.services import LINES, service_of

Order = tuple[int, ...]
Signs = tuple[int, ...]


class Channels(NamedTuple):
    """Expressions for a row's readings, raw (without production added back), as in the contract.

    The `_var` columns are only needed to put back CTs on lines 120 degrees apart; the voltages may be literals of
    equal value where they are unknown. What a home of fewer lines doesn't have is null.
    """

    l1_w: pl.Expr
    l2_w: pl.Expr
    pv_w: pl.Expr
    l1_var: pl.Expr
    l2_var: pl.Expr
    l1_v: pl.Expr
    l2_v: pl.Expr
    l3_w: pl.Expr = pl.lit(None, pl.Float64)
    l3_var: pl.Expr = pl.lit(None, pl.Float64)
    l3_v: pl.Expr = pl.lit(None, pl.Float64)

    @classmethod
    def columns(cls, line_count: int = 2) -> Channels:
        """Return the contract's columns of these names; those of line 3 only where a home has it."""
        names = (name for name in cls._fields if line_count > 2 or not name.startswith(LINES[2]))
        return cls(**{name: pl.col(name) for name in names})

    def get(self, leg: str, unit: str) -> pl.Expr:
        """Return a line's reading: of "l1" to "l3", in "w", "var" or "v"."""
        reading: pl.Expr = getattr(self, f"{leg}_{unit}")
        return reading

    def with_leg(self, leg: str, watts: pl.Expr, var: pl.Expr) -> Channels:
        """Return them with other power of a line [W], [var]."""
        return self._replace(**{f"{leg}_w": watts, f"{leg}_var": var})

    def scaled(self, leg: str, factor: float | pl.Expr) -> Channels:
        """Return them with a line's power times so much."""
        return self.with_leg(leg, self.get(leg, "w") * factor, self.get(leg, "var") * factor)


class Repair(NamedTuple):
    """What must be known of a home to put its past data right.

    `leg` of the fault; `service` of the home; `ratio` configured over true (wrong_ratio);
    `production_factor` how many watts of production the production channel reports for one that the
    same CT makes on a consumption channel (2: one inverter conductor times the voltage between the
    legs; 1: both conductors folded through the CT; 3: one conductor of three lines; negative if it is led by another
    leg). `order` is on which line (from 1) each channel's CT sits, and `signs` -1 where it is turned; None: what
    follows from the leg.
    """

    leg: str
    service: str = "120/240"
    ratio: float | pl.Expr = 1.0
    production_factor: float = 2.0
    order: Order | None = None
    signs: Signs | None = None

    @property
    def line_count(self) -> int:
        """How many lines the home has."""
        return service_of(self.service).line_count
