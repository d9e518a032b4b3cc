"""The case mix as a design matrix: what makes an install hard is position, CTs, leads, service, period."""

from __future__ import annotations

import polars as pl

UNKNOWN = "unknown"
FEATURES = ("ct_location", "cts_per_leg", "lead_extended", "service", "period")


def levels(homes: pl.DataFrame) -> pl.DataFrame:
    """Return the features (FEATURES) of `homes` as text, one row a home; what is not known is a level of its own.

    Two and more CTs a leg are one level; a period is a quarter of commissioning.
    """
    cts = pl.col("cts_per_leg").cast(pl.Float64)
    first = pl.col("commissioned_on").dt.truncate("3mo").dt.to_string("%Y-%m")
    return homes.select(
        "ct_location",
        pl.when(cts > 1).then(pl.lit("parallel")).when(cts <= 1).then(pl.lit("single")).alias("cts_per_leg"),
        pl.when(pl.col("lead_extended")).then(pl.lit("yes")).when(~pl.col("lead_extended")).then(pl.lit("no"))
        .alias("lead_extended"),
        "service",
        first.alias("period"),
    ).select(pl.col(FEATURES).fill_null(UNKNOWN))  # fmt: skip


def case_mix(homes: pl.DataFrame) -> pl.DataFrame:
    """Return the design of `homes` (homes x levels): an intercept, then a column of 0 and 1 a level of each feature.

    Needs ct_location, cts_per_leg, lead_extended, service, commissioned_on. Each level has a column, also the most
    frequent: the L2 penalty makes the answer unique whichever level would have been left out. A feature with one level
    has none.
    """
    features = levels(homes)
    varied = features.select(name for name in FEATURES if features[name].n_unique() > 1)
    intercept = pl.select(intercept=pl.ones(homes.height))
    return pl.concat([intercept, varied.to_dummies(separator=" ")], how="horizontal")
