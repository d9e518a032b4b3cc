"""The utility's own meters in a night: which homes' files it asks, about which days, and what a shard gets of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.core.sharding import Executor, Shard, StoredTable, TableStore
from pipeline.features.home_days import older_days
from pipeline.features.update_store import StoredDay, refresh_days
from pipeline.features.utility_meter.days import MeterDays, choose_days
from pipeline.features.utility_meter.window import ShardMeters
from pipeline.ingest.utility import UtilityIntake, read_utility
from pipeline.nightly.night_inputs import NightInputs
from pipeline.storage.output_location import Out


@dataclass(frozen=True)
class NightMeters:
    """What the utility's files held, whom a night asks them about, and the `older` days it took in for that."""

    intake: UtilityIntake
    days: MeterDays
    older: tuple[StoredDay, ...] = ()


@dataclass(frozen=True)
class MeterTask:
    """What a task about a shard reads of the utility's meters: files, and the homes and days to take of them."""

    tables: tuple[Path, ...]
    hour_files: tuple[Path, ...]
    homes: StoredTable
    older: StoredTable
    first: date
    as_of: date

    def of(self, shard: Shard) -> ShardMeters | None:
        """Return the meters of the shard's homes; None where none has a file that is needed."""
        homes, older = self.homes.of(shard)["site_id"], self.older.of(shard)
        if homes.is_empty():
            return None
        window = pl.date_range(self.first, self.as_of, eager=True)
        days = pl.concat([window, older["day"]]).unique()
        # The meter's clock may be off by a day: so far beside each day its rows are wanted too.
        near = pl.concat([days.dt.offset_by(by) for by in ("-1d", "0d", "1d")]).unique().implode()
        rows = (
            pl.scan_parquet(list(self.tables), glob=False, hive_partitioning=False)
            .filter(
                pl.col("site_id").is_between(pl.lit(homes.min()), pl.lit(homes.max())),
                pl.col("site_id").is_in(homes.implode()),
                pl.col("interval_start").dt.date().is_in(near),
            )
            .collect()
            .sort("site_id", "interval_start")
        )
        return ShardMeters(rows, self.hour_files, older)


def read_meters(
    inputs: NightInputs,
    stored: Sequence[StoredDay],
    out: Out,
    *,
    tell: Callable[[str], None] = lambda line: None,
    executor: Executor | None = None,
) -> NightMeters:
    """Return the utility's meters, after taking in what days older than the window they need.

    Parameters
    ----------
    inputs, stored
        What the night works on, and the window's days in the store.
    out
        The night's OUT, which fetches and keeps the store's older days.
    tell
        Called with a line of progress.
    executor
        Carries out the tasks of the shards; else threads do.
    """
    intake = read_utility(
        inputs.lake, inputs.registers, inputs.settings, workdir=inputs.scratch / "utility",
        store=inputs.store.root / "utility",
    )  # fmt: skip
    settings, store = inputs.settings, inputs.store
    first = inputs.as_of - timedelta(days=inputs.request.window_days - 1)
    from_on = inputs.as_of - timedelta(days=settings.utility.oldest_days)
    in_lake = {day for day in inputs.lake.days() if from_on <= day < first}
    days = choose_days(
        intake.tables, stored, store, visits=inputs.registers.service_work(), first=first, as_of=inputs.as_of,
        in_reach=in_lake | set(older_days(store, from_on, first)), settings=settings.utility,
    )  # fmt: skip
    wanted = [day for day in days.older_days if day in in_lake]
    if days.older_days:
        out.bring_store((*(day.day for day in stored), *days.older_days))

    def day_done(day: date, is_fresh: bool) -> None:
        if is_fresh:
            out.keep_store([day])
            tell(f"  {day} read, for the utility's meters")

    older: list[StoredDay] = []
    if wanted:
        with inputs.connect() as con:
            older = refresh_days(
                con, inputs.lake, wanted, registers=inputs.registers, store=store, settings=settings,
                workdir=inputs.scratch, tell=day_done, executor=executor,
            )  # fmt: skip
    return NightMeters(intake, days, tuple(older))


def meter_tasks(
    meters: NightMeters,
    inputs: NightInputs,
    stored: Sequence[StoredDay],
    *,
    shards: Sequence[Shard],
    tables: TableStore,
) -> list[MeterTask | None]:
    """Return each shard's part in the task about its homes; None where no home's meter is in a file.

    Parameters
    ----------
    meters, inputs, stored
        The utility's meters, what the night works on, and the window's days in the store.
    shards, tables
        The shards, and where tables for tasks are kept.
    """
    store, homes = inputs.store, meters.days.homes
    first = inputs.as_of - timedelta(days=inputs.request.window_days - 1)
    days = sorted(
        [*meters.older, *(day for day in stored if first <= day.day <= inputs.as_of)], key=lambda d: d.day
    )
    only_kept = set(meters.days.older_days) - {day.day for day in meters.older}
    held = tables.put("meter-homes", pl.DataFrame({"site_id": homes}, schema={"site_id": pl.String}))
    older = tables.put("meter-older", meters.days.older)

    def task(shard: Shard) -> MeterTask | None:
        inside = [home for home in homes if shard.has(home)]
        if not inside:
            return None
        kept = (path for day in sorted(only_kept) for path in store.whole_files("site_hour", day, inside))
        files = (path for day in days for path in day.paths(store, "site_hour", shard))
        return MeterTask(meters.intake.tables, (*kept, *files), held, older, first, inputs.as_of)

    return [task(shard) for shard in shards]
