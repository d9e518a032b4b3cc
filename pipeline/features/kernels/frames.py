"""What homes gave, as the tables site_day, site_hour and line_day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np
import polars as pl
import polars.selectors as cs

from pipeline.features.kernels.compiled import Bool, Float, Int
from pipeline.features.kernels.fleet import Fleet
from pipeline.features.kernels.homes import COLUMNS, WHOLE
from pipeline.features.kernels.lines import VIEWS

# The means of table site_hour, in the order of `level.hours`.
_HOURLY = ("l1_w", "l2_w", "pv_w", "battery_w")
_LENGTH = COLUMNS.index("length_min")


@dataclass(frozen=True)
class Found:
    """What some homes give: `home` in the register, and what `compute_homes` fills for each.

    Of those with a third line (`is_third`, shape (homes,)) `views` has the same, a `lines.VIEWS` each.
    """

    home: Int
    columns: Float
    hour_rows: Float
    hour_sums: Float
    is_third: Bool | None = None
    views: Mapping[str, Found] = field(default_factory=dict)

    def with_lines(self, is_third: Bool, views: Mapping[str, Found]) -> Found:
        """Return it with the views of the homes that have a third line."""
        return replace(self, is_third=is_third, views=views)

    def third_line(self) -> tuple[Float, Float]:
        """Return rows with a reading of the third line, and their sum [W], by home and hour, (homes, 24) each."""
        rows, sums = np.zeros((len(self.home), 24)), np.zeros((len(self.home), 24))
        if self.is_third is not None:
            pair = self.views["23"]  # its leg 2
            rows[self.is_third], sums[self.is_third] = pair.hour_rows[:, 2], pair.hour_sums[:, 1]
        return rows, sums


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


def line_frame(blocks: list[Found], site_day: pl.DataFrame, fleet: Fleet) -> pl.DataFrame:
    """Return table line_day, all blocks together; `site_day` is the day's table of homes, whose columns it has."""
    found = [block.views for block in blocks if block.views]
    if not found:  # no frame of some 200 columns is built for nothing
        return site_day.clear().with_columns(pair=pl.lit("", pl.String))
    return pl.concat(
        day_frame([views[view] for views in found], fleet).with_columns(pair=pl.lit(view)) for view in VIEWS
    )


def hour_frame(blocks: list[Found], fleet: Fleet) -> pl.DataFrame:
    """Return table site_hour, all blocks together.

    Means of the hour [W], and `minutes` of it [min] that every channel with a reading in it has. Column l3_w is there
    only where a home has a third line.
    """
    names: tuple[str, ...] = _HOURLY
    home = np.concatenate([np.empty(0, np.int64), *(block.home for block in blocks)])
    rows = np.concatenate([np.empty((0, 1 + len(_HOURLY), 24)), *(block.hour_rows for block in blocks)])
    sums = np.concatenate([np.empty((0, len(_HOURLY), 24)), *(block.hour_sums for block in blocks)])
    if any(block.views for block in blocks):
        third = [block.third_line() for block in blocks]
        rows = np.concatenate([rows, np.concatenate([rows for rows, _ in third])[:, None]], axis=1)
        sums = np.concatenate([sums, np.concatenate([sums for _, sums in third])[:, None]], axis=1)
        names = (*_HOURLY, "l3_w")
    length_min = np.concatenate([np.empty(0), *(block.columns[:, _LENGTH] for block in blocks)])
    run, hour = np.nonzero(rows[:, 0])
    count = rows[run, 1:, hour]
    with np.errstate(invalid="ignore"):
        means = {name: sums[run, channel, hour] / count[:, channel] for channel, name in enumerate(names)}
    least = np.where(count > 0, count, np.inf).min(axis=1, initial=np.inf)
    minutes = np.where(np.isfinite(least), least * length_min[run], 0.0)
    midnight = pl.lit(datetime(fleet.day.year, fleet.day.month, fleet.day.day))
    return (
        pl.DataFrame({"hour": hour, **means})
        .with_columns(cs.float().fill_nan(None).cast(pl.Float32))
        .with_columns(pl.Series("minutes", minutes).cast(pl.Int16))
        .select(
            fleet.ids.gather(home[run]).alias("site_id"),
            (midnight + pl.duration(hours=pl.col("hour"))).alias("hour_start"),
            *_HOURLY,
            "minutes",
            *names[len(_HOURLY) :],
        )
    )
