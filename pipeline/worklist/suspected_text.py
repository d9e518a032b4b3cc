"""The suspected fault of a home in words: always its own likelihood beside that of any fault."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.core.percent_text import percent_column
from pipeline.faults.fault_text import fault_title_column


def suspected_column(faults: Sequence[str]) -> pl.Expr:
    """Return "CT reversed: 86 % this fault, over 99 % any fault", of `fault`, `fault_likelihoods` and `likelihood`.

    `faults` are names in `fault_likelihoods`; null where `fault` is none of them.
    """
    shares = pl.col("fault_likelihoods").struct
    own = pl.coalesce(
        pl.when(pl.col("fault") == name).then(shares.field(name).fill_null(0.0)) for name in faults
    )
    title, any_fault = fault_title_column(pl.col("fault")), percent_column(pl.col("likelihood"))
    words = pl.format("{}: {} this fault, {} any fault", title, percent_column(own), any_fault)
    return pl.when(own.is_not_null()).then(words)
