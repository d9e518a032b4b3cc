"""Brings the store up to date with the lake: redoes the days that are new, late or changed, and no other."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from pipeline import daystats, warehouse
from pipeline.errors import NightFailed
from pipeline.ingest import load_shards, total
from pipeline.lake import Lake, LakeFile
from pipeline.registers import Registers
from pipeline.settings import Settings
from pipeline.store import DayCounts, Store, day_digest
from pipeline.tidy import TidyDay, take_tidy

# How often a day is read again whose files are replaced meanwhile.
_TRIES = 3


@dataclass(frozen=True)
class StoredDay:
    """One day in the store, up to date with the lake."""

    day: date
    digest: str
    counts: DayCounts
    is_fresh: bool

    def path(self, store: Store, table: str) -> Path:
        """Return the file of this day's table."""
        return store.path(table, self.day, self.digest)


def refresh_days(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    days: Iterable[date],
    registers: Registers,
    store: Store,
    settings: Settings,
    workdir: Path,
    tell: Callable[[date, bool], None] = lambda day, is_fresh: None,
) -> list[StoredDay]:
    """Return every day of `days` from the store, after redoing those that changed.

    A day is redone when its files, the SQL or the settings differ from what it was worked out from, when a
    register fact that it used has changed, or when a home it could not place is known now. `tell` hears of each
    day when it is done, and whether it was read anew.
    """
    sky = daystats.site_sky(registers.sites, settings.day)
    done = []
    for day in days:
        # A day that is still to come is all rejects; when its time has come it must be read again.
        when = "future" if day > registers.as_of else "past"
        is_fresh = False
        for _ in range(_TRIES):
            fingerprint = lake.fingerprint(day)
            digest = day_digest(f"{fingerprint} {when}", settings)
            if store.has(day, digest) and _is_current(con, store, day, digest, sky):
                break
            is_fresh = True
            made = _work_out(con, lake, day, fingerprint, registers, sky, settings, workdir)
            if made is not None:
                store.put(day, digest, *made)
                break
        else:
            raise NightFailed(
                f"{lake.root}/intervals/date={day}: files keep changing while they are read; "
                "run the night again when all of them are there"
            )
        done.append(StoredDay(day, digest, store.counts(day, digest), is_fresh))
        tell(day, is_fresh)
    return done


def _work_out(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    fingerprint: str,
    registers: Registers,
    sky: pl.DataFrame,
    settings: Settings,
    workdir: Path,
) -> tuple[dict[str, pl.DataFrame], DayCounts] | None:
    """Return the day's tables and counts; None if its files are no longer those of `fingerprint`.

    What was read of files that are replaced meanwhile may be half of one and half of the other.
    """
    parts, tables = [], []
    tidy: list[TidyDay] = []

    def take_first(ready: dict[LakeFile, Path]) -> dict[LakeFile, Path]:
        if day > registers.as_of:
            return ready
        limits = registers.site_limits(settings.lake)
        tidy.append(take_tidy(con, ready, limits, sky, day, settings, workdir))
        return tidy[0].left

    try:
        for part in load_shards(con, lake, day, registers, settings, workdir, take_first):
            parts.append(part)
            tables.append(daystats.build_day(con, sky, settings.day, day))
    except (duckdb.Error, OSError, NightFailed) as error:
        if lake.fingerprint(day) != fingerprint:
            return None
        if isinstance(error, duckdb.Error):
            told = " ".join(str(error).split())[:300]
            raise NightFailed(f"{lake.root}/intervals/date={day}: {told}; nothing was published") from error
        raise
    if lake.fingerprint(day) != fingerprint:
        return None
    intake = total(parts)
    taken = sum(part.rows for part in tidy)
    counts = DayCounts(
        intake.rows_in + taken,
        intake.used + taken,
        intake.duplicate,
        intake.rejected,
        len(intake.files),
        tuple(unknown_homes(intake.rejects)),
    )
    site_day, site_hour = (pl.concat(kind) for kind in zip(*tables, strict=True))
    if tidy:
        site_day, site_hour = tidy[0].joined(site_day, site_hour)
    return {"site_day": site_day, "site_hour": site_hour, "reject": intake.rejects}, counts


def unknown_homes(rejects: pl.DataFrame) -> list[str]:
    """Return the site ids that rows were rejected for because no register knows them."""
    ids = (
        rejects.filter(pl.col("reason").str.starts_with("unknown home"))
        .get_column("row")
        .str.json_path_match("$.site_id")
    )
    return sorted(ids.drop_nulls().unique())


def _is_current(
    con: duckdb.DuckDBPyConnection, store: Store, day: date, digest: str, sky: pl.DataFrame
) -> bool:
    con.register("site_sky", sky.to_arrow())
    params = {"day_files": [warehouse.as_named(store.path("site_day", day, digest))]}
    moved = warehouse.query(con, "site_day_moved", params).height
    con.unregister("site_sky")
    known = set(sky["site_id"])
    return not moved and not known.intersection(store.counts(day, digest).unknown_homes)
