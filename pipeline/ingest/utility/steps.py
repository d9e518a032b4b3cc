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
_HOME = ["site_id", "arrival"]


def with_counted_steps(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows with `step_wh` [Wh] of their home in their file: what all its energies are multiples of.

    `rows` has site_id, arrival, the ENERGIES and step_wh, the step that the file claims, null where it claims none.
    """
    counts = (
        rows.select(*_HOME, milli=pl.concat_list(ENERGIES))
        .explode("milli")
        .filter(pl.col("milli").is_not_null() & (pl.col("milli") != 0))
        .select(*_HOME, milli=(pl.col("milli") * 1000).round().abs().cast(pl.Int64))
        .unique()
        .sort(*_HOME, "milli")
    )
    claims = rows.group_by(_HOME).agg(claim=pl.col("step_wh").max())
    if counts.height:
        groups = counts.group_by(_HOME, maintain_order=True).len()
        begins = np.concatenate([[0], np.cumsum(groups["len"].to_numpy())[:-1]]).astype(np.int64)
        divisors = np.gcd.reduceat(counts["milli"].to_numpy(), begins)
        steps = groups.with_columns(divisor=pl.Series(divisors, dtype=pl.Int64))
        claims = claims.join(steps, on=_HOME, how="left")
    else:
        claims = claims.with_columns(len=pl.lit(0), divisor=pl.lit(0, dtype=pl.Int64))
    claim, seen = pl.col("claim"), _step_seen()
    step = pl.when(claim < _FINEST_WH).then(claim).otherwise(pl.max_horizontal(claim, seen))
    found = claims.select(*_HOME, found=step.fill_null(_FINEST_WH))
    return (
        rows.join(found, on=_HOME, how="left", maintain_order="left")
        .with_columns(step_wh="found")
        .drop("found")
    )


def _step_seen() -> pl.Expr:
    """Return the step [Wh] that `len` different values with the greatest common `divisor` [mWh] tell."""
    divisor = pl.col("divisor")
    tens = [pl.when(divisor % 10**power == 0).then(pl.lit(10**power)) for power in range(10)]
    step = pl.when(pl.col("len") >= _ENOUGH_VALUES).then(divisor).otherwise(pl.max_horizontal(tens))
    return pl.when(divisor > 0).then(step / 1000)
