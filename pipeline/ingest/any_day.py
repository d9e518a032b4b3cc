"""Files that hold rows of any day: each is taken in once, into a copy in order of time, and then read a day at a time.

The copies lie in the cache folder, named by what they were made from: a file that is unchanged isn't read again,
whoever asks, and one that was being taken in when a command was killed is taken in anew. The lake is never written.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache, cached_property
from importlib.resources import files as resources
from pathlib import Path

import polars as pl

from pipeline.core.atomic_files import write_bytes, write_parquet
from pipeline.core.contract import FIRST_DATE
from pipeline.ingest.csv_reader import ROW, UnusableFileError
from pipeline.ingest.lake_config import Intervals
from pipeline.ingest.staged_rows import rows_and_lacks
from pipeline.storage.lake_source import LakeFile, RowsOfDay, TakenIn

# The modules that a copy comes from: of another version it is made anew.
_MADE_BY = (
    "any_day.py", "channels.py", "column_names.py", "column_source.py", "csv_reader.py", "lake_config.py",
    "normalize.py", "plain_texts.py", "row_config.py", "staged_rows.py", "stamp_parts.py", "timestamps.py",
    "untrusted_parquet.py",
)  # fmt: skip
LAST_DATE = date(2100, 12, 31)
_ROW_GROUP_ROWS = 2_000
# A night that is still at work may read a copy that the next has no use for.
_KEPT_S = 2 * 86_400
_LONGEST = timedelta(hours=1)


@dataclass(frozen=True)
class DatedFile:
    """A file and what it came to: the `days` that it has rows of, each with a digest of them, and its last start.

    `home` is its only home, if it has one only; `has_others`: it has rows of no day.
    """

    file: LakeFile
    taken_in: TakenIn
    days: dict[date, str]
    last_start: datetime | None
    home: str | None
    has_others: bool

    def told_on(self, others: Sequence[date]) -> date:
        """Return the one day that tells its rows of no day: its newest (else of `others`) when it arrived."""
        days = sorted(self.days) or others
        arrived = datetime.fromtimestamp(self.file.mtime_ns / 1e9, UTC).date()
        return max((day for day in days if day <= arrived), default=days[0])


@dataclass(frozen=True)
class DatedFiles:
    """All files of a lake that hold rows of any day, in the order they arrived."""

    files: tuple[DatedFile, ...]

    @cached_property
    def days(self) -> list[date]:
        """The UTC days that files have rows of, oldest first."""
        return sorted({day for one in self.files for day in one.days})

    def last_whole_day(self) -> date | None:
        """Return the last UTC day that rows reach the end of."""
        starts = [one.last_start for one in self.files if one.last_start is not None]
        return (max(starts) + _LONGEST).date() - timedelta(days=1) if starts else None

    def of_day(self, day: date) -> list[DatedFile]:
        """Return the files with rows of a day, or that it tells something of.

        In the order they arrived; by name where no two have a home in common, so that files which come again every
        night in another order don't make all their days look changed.
        """
        days = self.days
        found = [
            one
            for one in self.files
            if day in one.days or ((one.has_others or one.taken_in.why) and one.told_on(days) == day)
        ]
        homes = [one.home for one in found if one.taken_in.why is None]
        is_apart = None not in homes and len(set(homes)) == len(homes)
        return sorted(found, key=lambda one: one.file.name) if is_apart else found

    def read_of(self, day: date) -> list[LakeFile]:
        """Return the files of a day, each with the rows that are read of it."""
        days = self.days
        return [
            LakeFile(
                one.file.path, one.file.name, one.file.size, one.file.mtime_ns, one.file.tag,
                RowsOfDay(day, FIRST_DATE, LAST_DATE, one.told_on(days) == day, one.taken_in),
            )
            for one in self.of_day(day)
        ]  # fmt: skip

    def fingerprint(self, day: date) -> str:
        """Return a text that changes when a file's rows of the day do, or those of no day that it tells."""
        parts = []
        for one in self.of_day(day):
            is_told = one.has_others or one.taken_in.why
            whole = f"{one.file.size} {one.file.mtime_ns} {one.file.tag}" if is_told else ""
            parts.append(f"{one.file.name}\0{one.days.get(day, '')}\0{whole}\n")
        return "".join(parts)


def dated_files(
    files: Sequence[LakeFile],
    how: Intervals,
    said: str,
    *,
    folder: Path,
    bring: Callable[[LakeFile, Path, int], LakeFile],
    drop: Callable[[LakeFile], None],
) -> DatedFiles:
    """Return the files with their days; those that are new are taken in.

    Parameters
    ----------
    files
        The files, in the order they arrived.
    how
        What lake.toml says of intervals.
    said
        All that copies depend on beside the files: lake.toml and ratings.
    folder
        Where the lake's copies lie.
    bring, drop
        Make a file readable here, and take its copy away again.
    """
    folder.mkdir(parents=True, exist_ok=True)
    found, names = [], set()
    for number, file in enumerate(files):
        text = f"{file.name}\0{file.size}\0{file.mtime_ns}\0{file.tag}\0{said}\0{_code()}"
        name = hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
        rows, note = folder / f"{name}.parquet", folder / f"{name}.json"
        names |= {rows.name, note.name}
        one = _noted(file, rows, note)
        if one is None:
            brought = bring(file, folder, number)
            _take_in(brought, how, rows, note)
            drop(brought)
            one = _noted(file, rows, note)
            assert one is not None
        found.append(one)
    _clean(folder, names)
    return DatedFiles(tuple(found))


def _take_in(file: LakeFile, how: Intervals, rows: Path, note: Path) -> None:
    """Write a file's rows in order of time, then what they came to."""
    try:
        staged, lacks = rows_and_lacks(file, how)
    except UnusableFileError as error:
        write_bytes(note, json.dumps({"why": str(error)}).encode())
        return
    start = pl.col("interval_start").dt.date()
    staged = staged.sort("interval_start", ROW, nulls_last=True)
    is_dated = start.is_between(FIRST_DATE, LAST_DATE)
    dated = staged.with_columns(_hash=staged.hash_rows(), _day=start).filter(is_dated.fill_null(False))
    by_day = dated.group_by("_day").agg(pl.col("_hash").sum(), pl.len()).sort("_day")
    homes = staged["site_id"].drop_nulls().unique()
    last = dated["interval_start"].max()
    content = {
        "lacks": lacks,
        "days": {str(day): f"{count}-{digest:016x}" for day, digest, count in by_day.iter_rows()},
        "last": None if last is None else str(last),
        "home": homes[0] if len(homes) == 1 else None,
        "has_others": dated.height < staged.height,
    }
    write_parquet(rows, staged, _ROW_GROUP_ROWS)
    write_bytes(note, json.dumps(content).encode())


def _noted(file: LakeFile, rows: Path, note: Path) -> DatedFile | None:
    """Return what a file came to when it was taken in; None if it wasn't, or its copy is gone."""
    try:
        content = json.loads(note.read_text(encoding="utf-8"))
        if "why" in content:
            return DatedFile(file, TakenIn(None, content["why"]), {}, None, None, False)
        days = {date.fromisoformat(day): digest for day, digest in content["days"].items()}
        last = None if content["last"] is None else datetime.fromisoformat(content["last"])
        taken_in = TakenIn(rows, None, tuple(content["lacks"].items()))
        if not rows.is_file():
            return None
        return DatedFile(file, taken_in, days, last, content["home"], content["has_others"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _clean(folder: Path, names: set[str]) -> None:
    """Remove old copies that nothing was asked of."""
    for path in folder.iterdir():
        try:
            if path.name not in names and time.time() - path.stat().st_mtime > _KEPT_S:
                path.unlink()
        except OSError:  # another command was faster
            continue


@cache
def _code() -> str:
    package = resources("pipeline.ingest")
    text = b"\0".join(package.joinpath(name).read_bytes() for name in _MADE_BY)
    return hashlib.blake2b(text, digest_size=8).hexdigest()
