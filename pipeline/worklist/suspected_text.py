"""The suspected fault of a home in words: always its own likelihood beside that of any fault."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.core.percent_text import likelihoods_column
from pipeline.faults.fault_text import fault_title_column
from pipeline.worklist.fault_likelihood import fault_likelihood


def suspected_column(faults: Sequence[str], line_count: pl.Expr | None = None) -> pl.Expr:
    """Return "CT reversed: 86 % this fault, over 99 % any fault", of `fault`, `fault_likelihoods` and `likelihood`.

    `faults` are names in `fault_likelihoods`; null where `fault` is none of them. `line_count` is how many lines a home
    has, None: two.
    """
    fault = pl.col("fault")
    own = pl.when(fault.is_in(list(faults))).then(fault_likelihood(fault, faults).fill_null(0.0))
    title, likelihoods = fault_title_column(fault, line_count), likelihoods_column(own, pl.col("likelihood"))
    return pl.when(own.is_not_null()).then(pl.format("{}: {}", title, likelihoods))
