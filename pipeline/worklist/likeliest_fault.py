"""Each home's likeliest fault, also where it is likelier sound."""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import FAULTS, SOUND


def fault_names(scores: pl.DataFrame) -> list[str]:
    """Return the faults of `fault_likelihoods`, in the contract's order."""
    names = [name for name in scores["fault_likelihoods"].struct.fields if name != SOUND]
    return sorted(names, key=lambda name: FAULTS.index(name) if name in FAULTS else len(FAULTS))


def likely_faults(scores: pl.DataFrame) -> pl.DataFrame:
    """Return `site_id`, `fault`, `leg`: each home's likeliest fault, never sound, and its leg where known."""
    names = fault_names(scores)
    shares = scores["fault_likelihoods"].struct.unnest().select(names).fill_null(0.0).to_numpy()
    first_most = pl.Series("fault", names, dtype=pl.String).gather(shares.argmax(axis=1))
    leg: pl.Expr = pl.when(pl.col("suspected_fault") == pl.col("fault")).then("leg")
    if "likely_leg" in scores.columns:
        leg = pl.coalesce(leg, "likely_leg")
    return scores.with_columns(first_most).select("site_id", "fault", leg.cast(pl.String).alias("leg"))
