"""How V1 - V2 moves with each leg's load, day by day: the regression of the window, on the sums of a single day."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

Float = NDArray[np.float64]
# Sums of squares and products of site_day: leg 1, leg 2 and the probe (by day only) [W], and V1 - V2 [V].
_BOTH = ("11", "12", "22", "1v", "2v", "vv", "n")
_BY_DAY = ("1p", "2p", "pp", "pv")
_SUMS = (
    *(f"vd_{name}_{half}" for name in _BOTH for half in ("n", "d")),
    *(f"vd_{name}_d" for name in _BY_DAY),
)
_RIDGE_W2 = 1.0  # of a regressor that isn't there
_LEAST_ROWS = 10
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "day": pl.Date, "v_per_kw_l1": pl.Float64, "v_per_kw_l1_se": pl.Float64,
        "v_per_kw_l2": pl.Float64, "v_per_kw_l2_se": pl.Float64,
    }
)  # fmt: skip


def voltage_days(paths: Sequence[Path], homes: Sequence[str], first: date) -> pl.DataFrame:
    """Return SCHEMA: one row a home of `homes` and UTC day from `first` on that tells, sorted.

    `v_per_kw_l1`, `v_per_kw_l2` [V/kW] are how V1 - V2 moves for each kW of that leg, the other held, with their
    standard errors. A day with too few steps of the load has no row.

    Parameters
    ----------
    paths
        Files of site_day.
    homes
        Those to look at; without one no file is read.
    first
        The first day.
    """
    if not homes or not paths:
        return pl.DataFrame(schema=SCHEMA)
    days = pl.scan_parquet(list(paths), glob=False, hive_partitioning=False)
    rows = (
        days.filter(pl.col("site_id").is_in(list(homes)), pl.col("day") >= first)
        .select("site_id", "day", *_SUMS)
        .collect()
        .with_columns(pl.col(_SUMS).fill_null(0.0).cast(pl.Float64))
    )
    told = rows.filter(pl.col("vd_n_n") + pl.col("vd_n_d") > _LEAST_ROWS)
    slope, error = _fit(told)
    return (
        told.select("site_id", "day")
        .with_columns(
            pl.Series(f"v_per_kw_{leg}{end}", 1000 * values[:, column])
            for end, values in (("", slope), ("_se", error))
            for column, leg in enumerate(("l1", "l2"))
        )
        .filter(pl.all_horizontal(pl.col(r"^v_per_kw_.*$").is_finite()))
        .select(SCHEMA.names())
        .cast(SCHEMA)
        .sort("site_id", "day")
    )


def _fit(rows: pl.DataFrame) -> tuple[Float, Float]:
    """Return coefficients on leg 1, leg 2 and the probe, and their standard errors [V/W], (n, 3) each."""

    def both(name: str) -> Float:
        return (rows[f"vd_{name}_n"] + rows[f"vd_{name}_d"]).to_numpy()

    def by_day(name: str) -> Float:
        return rows[f"vd_{name}_d"].to_numpy()

    square = np.empty((rows.height, 3, 3))
    square[:, 0, 0], square[:, 1, 1], square[:, 2, 2] = both("11"), both("22"), by_day("pp")
    square[:, 0, 1] = square[:, 1, 0] = both("12")
    square[:, 0, 2] = square[:, 2, 0] = by_day("1p")
    square[:, 1, 2] = square[:, 2, 1] = by_day("2p")
    square += _RIDGE_W2 * np.eye(3)
    product = np.stack([both("1v"), both("2v"), by_day("pv")], axis=1)
    inverse = np.linalg.pinv(square, hermitian=True)
    slope = np.einsum("nij,nj->ni", inverse, product)
    left_over = np.maximum(both("vv") - (slope * product).sum(axis=1), 0.0)
    variance = left_over / np.maximum(both("n") - 3, 1)
    error: Float = np.sqrt(np.maximum(variance[:, None] * np.einsum("nii->ni", inverse), 0.0))
    return slope, error
