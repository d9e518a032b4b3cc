"""What homes gave, as the tables site_day and site_hour."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl
import polars.selectors as cs

from pipeline.features.kernels.compiled import Float, Int
from pipeline.features.kernels.fleet import Fleet
from pipeline.features.kernels.homes import COLUMNS, WHOLE


@dataclass(frozen=True)
class Found:
    """What some homes give: `home` in the register, and what `compute_homes` fills for each."""

    home: Int
    columns: Float
    hour_rows: Float
    hour_sums: Float


def day_frame(blocks: list[Found], fleet: Fleet) -> pl.DataFrame:
    """Return table site_day, all blocks together: a frame a block would cost more than its numbers."""
    home = np.concatenate([np.empty(0, np.int64), *(block.home for block in blocks)])
    columns = np.concatenate([np.empty((0, len(COLUMNS))), *(block.columns for block in blocks)]).T
    numbers = pl.DataFrame(dict(zip(COLUMNS, columns, strict=True))).with_columns(cs.float().fill_nan(None))
    numbers = numbers.with_columns(cs.by_name(WHOLE).cast(pl.Int32))
    head = [
        fleet.ids.gather(home).alias("site_id"),
        fleet.register_key.gather(home).alias("register_key"),
    ]
    return pl.DataFrame(head).with_columns(pl.lit(fleet.day).alias("day")).hstack(numbers.get_columns())


def hour_frame(blocks: list[Found], fleet: Fleet) -> pl.DataFrame:
    """Return table site_hour, all blocks together."""
    home = np.concatenate([np.empty(0, np.int64), *(block.home for block in blocks)])
    rows = np.concatenate([np.empty((0, 4, 24)), *(block.hour_rows for block in blocks)])
    sums = np.concatenate([np.empty((0, 3, 24)), *(block.hour_sums for block in blocks)])
    run, hour = np.nonzero(rows[:, 0])
    with np.errstate(invalid="ignore"):
        means = {
            name: sums[run, channel, hour] / rows[run, 1 + channel, hour]
            for channel, name in enumerate(("l1_w", "l2_w", "pv_w"))
        }
    midnight = pl.lit(datetime(fleet.day.year, fleet.day.month, fleet.day.day))
    return (
        pl.DataFrame({"hour": hour, **means})
        .with_columns(cs.float().fill_nan(None).cast(pl.Float32))
        .select(
            fleet.ids.gather(home[run]).alias("site_id"),
            (midnight + pl.duration(hours=pl.col("hour"))).alias("hour_start"),
            *means,
        )
    )
