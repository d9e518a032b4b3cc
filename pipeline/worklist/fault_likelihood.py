"""The likelihood of one named fault of each home, out of the likelihoods of all."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl


def fault_likelihood(fault: pl.Expr, faults: Iterable[str]) -> pl.Expr:
    """Return the likelihood of the fault in column `fault`, null where it is none of `faults`.

    Of frames with `fault_likelihoods`, a struct with a field for each of `faults`.
    """
    shares = pl.col("fault_likelihoods").struct
    return pl.coalesce(pl.when(fault == name).then(shares.field(name)) for name in faults).alias(
        "fault_likelihood"
    )
