"""What makes an install hard, as columns of a regression: position, clamps, leads, service, period."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Float = NDArray[np.float64]
UNKNOWN = "unknown"
FEATURES = ("ct_location", "cts_per_leg", "lead_extended", "service", "period")
_MONTHS_A_PERIOD = 3


@dataclass(frozen=True)
class CaseMix:
    """`columns` (homes x levels): an intercept, then one column a level of each feature; `names` say which."""

    columns: Float
    names: tuple[str, ...]


def levels(homes: pl.DataFrame) -> pl.DataFrame:
    """Return the features (FEATURES) of `homes` as text, one row a home; what is not known is a level of its own.

    Two and more clamps a leg are one level; a period is a quarter of commissioning.
    """
    clamps = pl.col("cts_per_leg").cast(pl.Float64)
    first = pl.col("commissioned_on").dt.truncate(f"{_MONTHS_A_PERIOD}mo").dt.to_string("%Y-%m")
    return homes.select(
        "ct_location",
        pl.when(clamps > 1).then(pl.lit("parallel")).when(clamps <= 1).then(pl.lit("single")).alias("cts_per_leg"),
        pl.when(pl.col("lead_extended")).then(pl.lit("yes")).when(~pl.col("lead_extended")).then(pl.lit("no"))
        .alias("lead_extended"),
        "service",
        first.alias("period"),
    ).select(pl.col(FEATURES).fill_null(UNKNOWN))  # fmt: skip


def case_mix(homes: pl.DataFrame) -> CaseMix:
    """Return the design of `homes` (ct_location, cts_per_leg, lead_extended, service, commissioned_on).

    Each level of a feature has a column, also the most frequent: the price on coefficients makes the answer unique
    and doesn't depend on which level would have been left out. A feature with one level has none.
    """
    told = levels(homes)
    several = told.select(name for name in FEATURES if told[name].n_unique() > 1)
    first = pl.select(intercept=pl.ones(homes.height))
    table = pl.concat([first, several.to_dummies(separator=" ")], how="horizontal")
    return CaseMix(table.to_numpy(order="c"), tuple(table.columns))
