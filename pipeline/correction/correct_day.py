"""Brings one day's file of corrected rows up to date: the homes whose story or readings changed, and no other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import duckdb
import polars as pl

from pipeline.core.errors import NightFailed
from pipeline.core.settings import Settings
from pipeline.correction.day_files import HOME, METHOD_COLUMNS, DayFiles
from pipeline.correction.digests import code_digest, home_digests, settings_digest
from pipeline.correction.extract import ROWS_AT_ONCE, HomeRows, LakeReader, OpenedDay
from pipeline.correction.layout import CORRECTED
from pipeline.correction.stages import Correct

# What became of a day's file.
WRITTEN, UNCHANGED, REMOVED, GONE = "written", "unchanged", "removed", "gone from the lake"
_REPORTED = ("l1_w", "l2_w", "l3_w", "pv_w")


@dataclass(frozen=True)
class DayJob:
    """A day and the episodes (EPISODE and `story`, a home once) on it of the homes that are worked on.

    Other homes than those `worked_on` keep their rows in the file; None: all are worked on.
    """

    day: date
    episodes: pl.DataFrame
    worked_on: frozenset[str] | None = None


@dataclass(frozen=True)
class _ReadDay:
    """A day's rows of the homes corrected `anew`; `before` is what its file says, `wanted` what it is to say."""

    job: DayJob
    before: pl.DataFrame
    wanted: pl.DataFrame
    anew: Sequence[str]
    read: HomeRows


@dataclass(frozen=True)
class DayCorrector:
    """Corrects days of a lake into files; `correct` makes corrected rows of used rows and their episodes.

    What `correct` makes of a home's rows of a day must not depend on the other homes and days that it is given.
    """

    reader: LakeReader
    files: DayFiles
    settings: Settings
    correct: Correct
    lake_days: frozenset[date]

    def bring_up_to_date(self, con: duckdb.DuckDBPyConnection, jobs: Sequence[DayJob]) -> list[str]:
        """Bring some days' files up to date and return what became of each: WRITTEN, UNCHANGED, REMOVED or GONE.

        Rows of a day that is gone from the lake stay as they are, as long as their homes have an episode on it. Rows of
        several days are corrected together as far as ROWS_AT_ONCE goes: a call has a cost of its own.

        Raises
        ------
        NightFailed
            The rows don't add up, or a day can't be read.
        """
        states: list[str] = []
        together: list[_ReadDay] = []
        for job in jobs:
            before = self.files.homes(job.day)
            if job.day not in self.lake_days:
                states.append(self._keep(job, before))
                continue
            wanted = self._wanted(job, before)
            if wanted.select("site_id", "digest").equals(before.select("site_id", "digest")):
                states.append(UNCHANGED)
            elif wanted.is_empty():
                self.files.remove(job.day)
                states.append(REMOVED)
            else:
                states.append(WRITTEN)
                found = self._read(con, job, before=before, wanted=wanted)
                together += [found] if found else []  # else it was written, in parts
            if sum(each.read.rows.height for each in together) >= ROWS_AT_ONCE:
                self._write_together(together)
                together = []
        self._write_together(together)
        return states

    def _read(
        self, con: duckdb.DuckDBPyConnection, job: DayJob, *, before: pl.DataFrame, wanted: pl.DataFrame
    ) -> _ReadDay | None:
        """Return a day's rows of the homes that are to be corrected anew; None if it was written, in parts."""
        kept = frozenset(wanted.join(before, on=["site_id", "digest"], how="semi")["site_id"])
        anew = [home for home in wanted["site_id"] if home not in kept]

        known = self.reader.read_before(job.day, anew)
        if known is not None:
            return _ReadDay(job, before, wanted, anew, known)

        def attempt(opened: OpenedDay) -> _ReadDay | None:
            if wanted.height > opened.homes_at_once:
                self._write(opened, wanted, before, episodes=job.episodes)
                return None
            return _ReadDay(job, before, wanted, anew, opened.read(anew) if anew else HomeRows.none())

        return self.reader.of_day(con, job.day, attempt)

    def _write_together(self, days: Sequence[_ReadDay]) -> None:
        """Correct the days' rows together and write each day's file."""
        if not days:
            return
        keys = ["site_id", "interval_start"]
        rows = pl.concat([day.read.rows for day in days]).sort(keys)
        episodes = pl.concat([day.job.episodes for day in days]).unique(
            ["site_id", "from_on"], maintain_order=True
        )
        homes = sorted({home for day in days for home in day.anew})
        corrected = self._corrected(HomeRows(rows, days[0].read.counts), episodes, homes)
        of_day = corrected.with_columns(day=pl.col("interval_start").dt.date()).partition_by(
            "day", as_dict=True, include_key=False
        )
        for day in days:
            new = of_day.get((day.job.day,), corrected.clear())
            old = day.before.join(day.wanted, on=["site_id", "digest"], how="semi")
            counted = count_rows(day.read, new, day.wanted, homes=day.anew, day=day.job.day)
            with self.files.written(day.job.day) as writer:
                kept = self.files.rows(day.job.day, old["site_id"].to_list())
                writer.add(pl.concat([kept, new]).sort(keys), pl.concat([old, counted]).sort("site_id"))

    def _wanted(self, job: DayJob, before: pl.DataFrame) -> pl.DataFrame:
        """Return site_id and `digest` of the homes that the file is to have, sorted."""
        basis = (self.reader.lake.fingerprint(job.day), settings_digest(self.settings), code_digest())
        digests = home_digests(job.episodes["story"].to_list(), basis)
        wanted = job.episodes.select("site_id", digest=pl.Series(digests, dtype=pl.String))
        return pl.concat([wanted, _others(job, before).select("site_id", "digest")]).sort("site_id")

    def _keep(self, job: DayJob, before: pl.DataFrame) -> str:
        """Leave in the file of a day that is gone the homes that still have an episode on it."""
        if before.is_empty():
            return UNCHANGED
        homes = {*job.episodes["site_id"], *_others(job, before)["site_id"]}
        kept = before.filter(pl.col("site_id").is_in(homes))
        if kept.is_empty():
            self.files.remove(job.day)
            return REMOVED
        if kept.height < before.height:
            homes_at_once = max(1, ROWS_AT_ONCE * kept.height // max(int(kept["used"].sum()), 1))
            with self.files.written(job.day) as writer:
                for some in kept.iter_slices(homes_at_once):
                    writer.add(self.files.rows(job.day, some["site_id"].to_list()), some)
        return GONE

    def _write(
        self, opened: OpenedDay, wanted: pl.DataFrame, before: pl.DataFrame, *, episodes: pl.DataFrame
    ) -> str:
        kept = frozenset(wanted.join(before, on=["site_id", "digest"], how="semi")["site_id"])
        with self.files.written(opened.day) as writer:
            for some in wanted.iter_slices(opened.homes_at_once):
                homes = some["site_id"].to_list()
                anew = [home for home in homes if home not in kept]
                old = [home for home in homes if home in kept]
                rows, counted = self.files.rows(opened.day, old), before.filter(pl.col("site_id").is_in(old))
                if anew:
                    read = opened.read(anew)
                    corrected = self._corrected(read, episodes, anew)
                    rows = pl.concat([rows, corrected]).sort("site_id", "interval_start")
                    counted = pl.concat(
                        [counted, count_rows(read, corrected, wanted, homes=anew, day=opened.day)]
                    )
                writer.add(rows, counted.sort("site_id"))
        return WRITTEN

    def _corrected(self, read: HomeRows, episodes: pl.DataFrame, homes: Sequence[str]) -> pl.DataFrame:
        """Return the corrected rows of these homes, one for one of the used rows."""
        if read.rows.is_empty():
            return pl.DataFrame(schema=CORRECTED)
        of_homes = episodes.filter(pl.col("site_id").is_in(homes)).drop("story")
        corrected = self.correct(read.rows, of_homes)
        _check_rows(read.rows, corrected)
        return corrected


def _others(job: DayJob, before: pl.DataFrame) -> pl.DataFrame:
    """Return what the file has of homes that are not worked on."""
    if job.worked_on is None:
        return before.clear()
    return before.filter(~pl.col("site_id").is_in(job.worked_on))


def count_rows(
    read: HomeRows, corrected: pl.DataFrame, wanted: pl.DataFrame, *, homes: Sequence[str], day: date
) -> pl.DataFrame:
    """Return table HOME of these homes: rows as the lake has them beside rows by method, checked to add up.

    Parameters
    ----------
    read, corrected
        What the day's files hold, and the corrected rows.
    wanted
        site_id, `digest`.
    homes
        The homes of both; one without rows has zeroes.
    day
        The day.

    Raises
    ------
    NightFailed
        A home's rows by method don't add up to those that the lake uses, or these with duplicates and rejects not to
        those that came in.
    """
    by_method = corrected.group_by("site_id").agg(
        (pl.col("method") == method).sum().cast(pl.Int64).alias(name)
        for method, name in METHOD_COLUMNS.items()
    )
    counted = (
        wanted.filter(pl.col("site_id").is_in(homes))
        .join(read.counts, on="site_id", how="left")
        .join(by_method, on="site_id", how="left")
        .select(pl.col(name).fill_null(0) if kind == pl.Int64 else name for name, kind in HOME.items())
    )
    wrong = counted.filter(
        (pl.sum_horizontal(METHOD_COLUMNS.values()) != pl.col("used"))
        | (pl.sum_horizontal("used", "duplicate", "rejected") != pl.col("rows_in"))
    )
    if wrong.height or counted["used"].sum() != corrected.height:
        row = wrong.row(0, named=True) if wrong.height else {"rows": corrected.height}
        counts_text = ", ".join(f"{name} {value}" for name, value in row.items() if name != "digest")
        raise NightFailed(
            f"corrected rows of {day} don't add up to the lake's ({counts_text}); please report this"
        )
    return counted


def _check_rows(rows: pl.DataFrame, corrected: pl.DataFrame) -> None:
    """Hold corrected rows against the used ones.

    Raises
    ------
    NightFailed
        They are not one for one, or don't say what was reported.
    """
    keys = ["site_id", "interval_start"]
    is_same = corrected.schema == CORRECTED and corrected.select(keys).equals(rows.select(keys))
    if is_same:
        reported = corrected.select(pl.col(f"{name}_reported").alias(name) for name in _REPORTED)
        is_same = (
            reported.equals(rows.select(_REPORTED)) and corrected["method"].is_in(list(METHOD_COLUMNS)).all()
        )
    if not is_same:
        home = rows["site_id"][0]
        raise NightFailed(
            f"corrected rows from {home} on are not the used rows one for one; please report this"
        )


def on_day(episodes: pl.DataFrame, day: date) -> pl.DataFrame:
    """Return the episodes that a day lies in."""
    ends = pl.col("to_on").fill_null(date.max)
    return episodes.filter((pl.col("from_on") <= day) & (day <= ends))
