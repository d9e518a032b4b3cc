"""Which homes a night asks the utility's files about, and which days older than its window it takes in for that."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.setting_sections import UtilitySettings
from pipeline.features.day_store import Store
from pipeline.features.home_days import home_day_files, read_home_days
from pipeline.features.update_store import StoredDay
from pipeline.features.utility_meter.window import metered_days


@dataclass(frozen=True)
class MeterDays:
    """`homes` without a meter in their rows and with one in a file; `older` (HOME_DAY) days that may speak for them."""

    homes: tuple[str, ...]
    older: pl.DataFrame

    @property
    def older_days(self) -> tuple[date, ...]:
        """The days older than the window that are needed, oldest first."""
        return tuple(self.older["day"].unique().sort())


def choose_days(
    tables: Sequence[Path],
    stored: Sequence[StoredDay],
    store: Store,
    *,
    visits: pl.DataFrame,
    first: date,
    as_of: date,
    in_reach: Collection[date],
    settings: UtilitySettings,
) -> MeterDays:
    """Return which homes' files matter, and which days older than the window are worth taking in for them.

    A home whose rows have its meter needs no file. One with fewer than `least_days` in common in the window wishes for
    the newest older days in common since its last visit; the days that most homes wish for are taken, of equally
    wished ones the newest. What is chosen depends on lake, files and registers, not on what earlier nights kept.

    Parameters
    ----------
    tables
        Parquet files of the schema UTILITY.
    stored, store
        The night's days and the store.
    visits
        `site_id`, `visited_on`: the days after which a home's data start anew.
    first, as_of
        First and last day of the window.
    in_reach
        The days older than the window that can be had.
    settings
        Section [utility].
    """
    nothing = MeterDays((), pl.DataFrame(schema={"site_id": pl.String, "day": pl.Date}))
    if not tables:
        return nothing
    near = pl.Series([*in_reach, *(day.day for day in stored if first <= day.day <= as_of)], dtype=pl.Date)
    files = pl.scan_parquet(list(tables), glob=False, hive_partitioning=False)
    metered = metered_days(files).filter(pl.col("day").is_in(near.implode())).collect(engine="streaming")
    homes = metered["site_id"].unique().sort().to_list()
    if not homes:
        return nothing
    day_files = home_day_files(stored, store, homes, from_on=first, to_on=as_of)
    rows = read_home_days(day_files, homes, ("n_row", "n_net"))
    by_rows = rows.group_by("site_id").agg(pl.col("n_net", "n_row").sum())
    unmetered = by_rows.filter(pl.col("n_net") <= 0.5 * pl.col("n_row"))["site_id"].sort()
    visited = visits.filter(pl.col("visited_on") < as_of).group_by("site_id").agg(pl.col("visited_on").max())
    since = metered.join(visited, on="site_id", how="left").filter(
        pl.col("site_id").is_in(unmetered.implode()),
        pl.col("visited_on").is_null() | (pl.col("day") > pl.col("visited_on")),
    )
    common = since.filter(pl.col("day") >= first).join(rows, on=("site_id", "day"), how="semi")
    enough = common.group_by("site_id").len().filter(pl.col("len") >= settings.least_days)
    wished = (
        since.filter(pl.col("day") < first)
        .join(enough, on="site_id", how="anti")
        .sort("day", descending=True)
        .group_by("site_id", maintain_order=True)
        .head(settings.older_days)
    )
    taken = wished.group_by("day").len().sort("len", "day", descending=True).head(settings.older_days)["day"]
    older = (
        wished.filter(pl.col("day").is_in(taken.implode())).select("site_id", "day").sort("site_id", "day")
    )
    return MeterDays(tuple(unmetered), older)
