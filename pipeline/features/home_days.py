"""The store's days of a few homes: some columns of site_day, also of days older than the night's window."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay

_FOLDER = "date="
_PAIR_WITH_THIRD = "23"


def home_day_files(
    stored: Sequence[StoredDay],
    store: Store,
    homes: Sequence[str],
    *,
    from_on: date,
    to_on: date,
    table: str = "site_day",
) -> list[Path]:
    """Return the files of site_day that may have rows of these homes, day after day.

    Days of the night are as the night brought them up to date; an older day counts where the store still has it whole
    and in one version. In an object store only what the night fetched is there.

    Parameters
    ----------
    stored, store
        The night's days, and the store.
    homes
        site_id, at least one.
    from_on, to_on
        First and last UTC day.
    table
        Of another table of the store.
    """
    current = {day.day: day for day in stored}
    first = min(current, default=to_on + timedelta(days=1))
    older = (
        path for day in older_days(store, from_on, first) for path in store.whole_files(table, day, homes)
    )
    newer = (
        path
        for day, one in sorted(current.items())
        if from_on <= day <= to_on
        for path in one.paths(store, table, homes)
    )
    return [*older, *newer]


def older_days(store: Store, from_on: date, before: date) -> list[date]:
    """Return the days of the store from `from_on` to the day before `before`, oldest first."""
    folders = (store.root / "cut").glob(f"{_FOLDER}????-??-??")
    names = sorted(folder.name.removeprefix(_FOLDER) for folder in folders)
    return [date.fromisoformat(name) for name in names if str(from_on) <= name < str(before)]


def read_home_days(files: Sequence[Path], homes: Sequence[str], columns: Sequence[str]) -> pl.DataFrame:
    """Return `site_id`, `day` and some columns of site_day of these homes, sorted.

    Files hold their rows in order of site_id, so that Parquet's row groups without one of the homes stay unread.
    """
    schema = pl.Schema({"site_id": pl.String, "day": pl.Date, **dict.fromkeys(columns, pl.Float64)})
    if not files or not homes:
        return pl.DataFrame(schema=schema)
    rows = pl.scan_parquet(list(files), glob=False, hive_partitioning=False)
    return (
        rows.select("site_id", "day", *columns)
        .filter(_is_of(homes))
        .collect()
        .cast(schema)
        .sort("site_id", "day")
    )


def with_third_line(days: pl.DataFrame, line_files: Sequence[Path], homes: Sequence[str]) -> pl.DataFrame:
    """Return `read_home_days` with `l3_abs_wh` [Wh] of homes with three lines, out of files of line_day.

    Without such a file the days are returned as they are.
    """
    if not line_files or not homes:
        return days
    rows = pl.scan_parquet(list(line_files), glob=False, hive_partitioning=False)
    third = (  # the second line of the pair is line 3
        rows.filter(_is_of(homes), pl.col("pair") == _PAIR_WITH_THIRD)
        .select("site_id", "day", l3_abs_wh=pl.col("l2_abs_wh").cast(pl.Float64))
        .collect()
    )
    return days.join(third, on=["site_id", "day"], how="left", maintain_order="left")


def _is_of(homes: Sequence[str]) -> pl.Expr:
    wanted = pl.Series(sorted(homes))
    is_near = pl.col("site_id").is_between(pl.lit(wanted[0]), pl.lit(wanted[-1]))
    return is_near & pl.col("site_id").is_in(wanted.implode())
