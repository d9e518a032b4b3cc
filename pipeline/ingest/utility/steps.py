"""The step in which a meter's file counts, found from its values: a file may claim Wh and count in tens of them."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.ingest.row_config import ENERGIES

# Values are compared in thousandths of a Wh; finer claims are taken as they are.
_FINEST_WH = 0.001
# So many different values hardly have a divisor in common that the meter's step hasn't; fewer may, by chance, other
# than powers of ten.
_ENOUGH_VALUES = 30
HOME_NO = "_home_no"


def with_counted_steps(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows with `step_wh` [Wh] of their home in their file: what all its energies are multiples of.

    `rows` has HOME_NO (a whole number for each home), arrival (of the file), the ENERGIES and step_wh, what the file
    claims, null where it claims none.
    """
    rows = rows.with_columns(_group=pl.col(HOME_NO) * 2**32 + pl.col("arrival"))
    values = pl.concat(
        rows.select("_group", milli=(pl.col(name) * 1000).round().abs().cast(pl.Int64)).filter(
            pl.col("milli") > 0
        )
        for name in ENERGIES
    ).sort("_group")
    groups = values.group_by("_group", maintain_order=True).agg(pl.len(), values=pl.col("milli").n_unique())
    claims = rows.group_by("_group").agg(claim=pl.col("step_wh").max())
    begins = groups["len"].cum_sum().to_numpy() - groups["len"].to_numpy()
    milli = values["milli"].to_numpy()
    divisors = np.gcd.reduceat(milli, begins.astype(np.int64)) if groups.height else milli
    seen = groups.with_columns(divisor=pl.Series(divisors, dtype=pl.Int64))
    claims = claims.join(seen, on="_group", how="left")
    claim = pl.col("claim")
    step = pl.when(claim < _FINEST_WH).then(claim).otherwise(pl.max_horizontal(claim, _step_seen()))
    found = claims.select("_group", found=step.fill_null(_FINEST_WH))
    joined = rows.join(found, on="_group", how="left", maintain_order="left")
    return joined.with_columns(step_wh="found").drop("found", "_group")


def _step_seen() -> pl.Expr:
    """Return the step [Wh] that so many different `values` with the greatest common `divisor` [mWh] tell."""
    divisor = pl.col("divisor")
    tens = [pl.when(divisor % 10**power == 0).then(pl.lit(10**power)) for power in range(10)]
    step = pl.when(pl.col("values") >= _ENOUGH_VALUES).then(divisor).otherwise(pl.max_horizontal(tens))
    return pl.when(divisor > 0).then(step / 1000)
