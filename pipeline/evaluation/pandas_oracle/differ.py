"""Whether pandas and the night agree."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

_SINGLE = 2.0**-22  # two steps of a 32-bit number


def differing(
    pandas_rows: Any, ours: pl.DataFrame, keys: tuple[str, ...] = ("site_id",), reach: float = 1e-9
) -> Mapping[str, int]:
    """Return by column how many rows differ by more than this part of the value, or of 1 if it is smaller.

    "rows" counts those in one of both only. A number that is missing in one only differs, but a count that is missing
    is 0. Columns of 32 bits are held to what these can tell apart.
    """
    mine = pl.from_pandas(pandas_rows).with_columns(pl.lit(value=True).alias("is_mine"))
    both = mine.join(
        ours.with_columns(pl.lit(value=True).alias("is_ours")), on=keys, how="full", suffix="_ours"
    )
    off = {"rows": both.filter(pl.col("is_mine").is_null() | pl.col("is_ours").is_null()).height}
    both = both.drop_nulls(["is_mine", "is_ours"])
    for name in (name for name in ours.columns if name in mine.columns and name not in keys):
        left, right = both[name], both[f"{name}_ours"]
        if not ours.schema[name].is_numeric():
            off[name] = int((left.cast(right.dtype) != right).sum())
            continue
        left, right = left.cast(pl.Float64).fill_nan(None), right.cast(pl.Float64).fill_nan(None)
        if ours.schema[name].is_integer():
            left, right = left.fill_null(0), right.fill_null(0)
        part = max(reach, _SINGLE) if ours.schema[name] == pl.Float32 else reach
        far = (left - right).abs() > part * left.abs().clip(1.0)
        off[name] = int((far.fill_null(value=False) | (left.is_null() != right.is_null())).sum())
    return {name: count for name, count in off.items() if count}
