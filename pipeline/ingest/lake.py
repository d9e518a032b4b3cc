"""A lake, in a folder or an object store: which days, files and registers it holds, in the order they arrived."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import cached_property
from pathlib import Path

from pipeline.core.contract import FIRST_DATE
from pipeline.core.errors import InputError
from pipeline.core.settings import Settings, load_settings
from pipeline.ingest.lake_config import LakeConfig, read_lake_config
from pipeline.ingest.partition_days import PartitionDays
from pipeline.storage.bucket_lake_source import BucketSource
from pipeline.storage.lake_source import (
    SUFFIXES,
    UTILITY_SUFFIXES,
    FolderSource,
    LakeFile,
    LakeSource,
    RowsOfDay,
)
from pipeline.storage.object_url import ObjectUrl, object_url

__all__ = ["Lake", "LakeFile", "RowsOfDay", "open_lake", "partition_day"]
_PARTITION = re.compile(r"date=(\d{4}-\d{2}-\d{2})")


@dataclass(frozen=True)
class Lake:
    """An opened lake; `config` is what its lake.toml says, or the contract's own names."""

    source: LakeSource
    config: LakeConfig = field(default_factory=LakeConfig)
    config_text: str = ""

    @property
    def root(self) -> Path | ObjectUrl:
        """The folder or address, as people call it."""
        return self.source.root

    @cached_property
    def _partitions(self) -> tuple[dict[date, str], list[tuple[str, str]]]:
        days: dict[date, str] = {}
        odd: list[tuple[str, str]] = []
        for entry in self.source.partitions():
            name = f"intervals/{entry.name}"
            if _is_hidden(entry.name):
                continue
            day = partition_day(entry.name) if entry.inside is not None else None
            if day is None or entry.inside is None:
                odd.append((name, "not a partition named date=YYYY-MM-DD; it is not read"))
                continue
            data = {inside for inside, is_file in entry.inside if is_file and _is_data(inside)}
            odd += [
                (f"{name}/{inside}", f"not one of {', '.join(SUFFIXES)}; it is not read")
                for inside, _ in entry.inside
                if inside not in data and not _is_hidden(inside)
            ]
            if data:
                days[day] = entry.name
            else:
                odd.append((name, "a day without a file"))
        return days, odd

    def days(self) -> list[date]:
        """Return the UTC days that files may have rows of, oldest first."""
        return sorted({day for partition in self._partitions[0] for day in self._days_of.days(partition)})

    def future_days(self, today: date) -> list[date]:
        """Return the days after `today` (UTC) that the lake can't have rows of yet, oldest first."""
        to_come = [one for one in self._partitions[0] if self._days_of.is_to_come(one, today)]
        return sorted({day for partition in to_come for day in self._days_of.days(partition)})

    @property
    def _days_of(self) -> PartitionDays:
        return self.config.intervals.partition_days

    def oddities(self) -> list[tuple[str, str]]:
        """Return (where, what) for everything under intervals/ that is not read."""
        return self._partitions[1]

    def newest_finished_day(self, now: datetime) -> date:
        """Return the newest day in the lake that is over `now` (UTC), the default as-of day.

        Raises
        ------
        InputError
            No day in the lake is over.
        """
        today, days_of = now.date(), self._days_of
        whole = [days_of.last_whole_day(one) for one in self._partitions[0] if days_of.is_over(one, now)]
        over = [day for day in self.days() if whole and day <= max(whole)]
        if over:
            return over[-1]
        if today in self.days():
            raise InputError(
                f"{self.root}: {today}, its only day so far, is not over in UTC; run the night tomorrow"
            )
        raise InputError(f"{self.root}: every partition lies after today, {today}; check the date= names")

    def files(self, day: date) -> list[LakeFile]:
        """Return the files of `day` in the order they arrived: modification time, then name."""
        files: list[LakeFile] = []
        for partition in self._days_of.partitions(day):
            entry = self._partitions[0].get(partition)
            if entry is None:
                continue
            found = [file for file in self.source.files(entry) if _is_data(file.name.rpartition("/")[2])]
            if self._days_of.is_local:
                searched = self._days_of.days_searched(partition)
                rows = RowsOfDay(day, searched[0], searched[-1], takes_others=partition == day)
                found = [replace(file, rows=rows) for file in found]
            files += found
        return sorted(files, key=lambda f: (f.mtime_ns, f.name))

    def utility_files(self) -> tuple[list[LakeFile], list[tuple[str, str]]]:
        """Return the files in utility/ in the order they arrived, and (where, what) of all else in it."""
        files, folders = self.source.utility()
        data, odd = [], []
        for file in files:
            name = file.name.rpartition("/")[2]
            if _is_hidden(name):
                continue
            if not name.endswith(UTILITY_SUFFIXES):
                odd.append((file.name, f"not one of {', '.join(UTILITY_SUFFIXES)}; it is not read"))
            elif not _is_text(name):
                shown = file.name.encode("utf-8", "backslashreplace").decode()
                odd.append((shown, "its name is no UTF-8 text; it is not read"))
            else:
                data.append(file)
        odd += [(folder, "a folder; it is not read") for folder in folders]
        return sorted(data, key=lambda f: (f.mtime_ns, f.name)), sorted(odd)

    def bring(self, files: list[LakeFile], workdir: Path) -> list[LakeFile]:
        """Return the files with paths that can be read here; copies, of an object store's, are in `workdir`.

        Raises
        ------
        OSError
            A file is no longer the one that was listed.
        """
        return [self.bring_one(file, workdir, number) for number, file in enumerate(files)]

    def bring_one(self, file: LakeFile, workdir: Path, number: int) -> LakeFile:
        """Like `bring`; the copy is named by `number`."""
        return self.source.bring(file, workdir, number)

    def drop(self, files: list[LakeFile]) -> None:
        """Remove the copies that `bring` made."""
        for file in files:
            self.source.drop(file)

    def fingerprint(self, day: date) -> str:
        """Return a text that changes when lake.toml does, or a file of `day` by name, size, time or ETag."""
        digest = hashlib.sha256(self.config_text.encode())
        for file in self.files(day):
            tag = f"\0{file.tag}" if file.tag else ""
            digest.update(f"{file.name}\0{file.size}\0{file.mtime_ns}{tag}\n".encode())
        return digest.hexdigest()[:32]

    def register(self, table: str) -> Path | None:
        """Return the file of a register, "sites" to "meters", or None; Parquet before CSV."""
        paths = (self.source.beside(f"{table}{suffix}") for suffix in (".parquet", ".csv"))
        return next((path for path in paths if path is not None), None)

    @contextmanager
    def naming(self) -> Iterator[None]:
        """Have errors call a file that is read from a copy by its address."""
        try:
            yield
        except InputError as error:
            raise InputError(self.source.named(str(error))) from error


def partition_day(name: str) -> date | None:
    """Return the day of a partition named date=YYYY-MM-DD, or None; a day before any fleet is none."""
    matched = _PARTITION.fullmatch(name)
    try:
        day = date.fromisoformat(matched.group(1)) if matched else None
    except ValueError:
        return None
    return day if day is not None and day >= FIRST_DATE else None


def open_lake(root: str | Path, settings: Settings | None = None) -> Lake:
    """Open the lake in the folder or at the address `root`; `settings` say how an object store is asked.

    Raises
    ------
    InputError
        No such folder or bucket, or no access; no sites register; no intervals; or a lake.toml that says
        nonsense.
    NightFailed
        The object store doesn't answer.
    """
    url = object_url(root)
    if url is not None:
        source: LakeSource = BucketSource(url, (settings or load_settings()).object_store)
    elif Path(root).is_dir():
        source = FolderSource(Path(root))
    else:
        what = "is a file" if Path(root).exists() else "no such folder"
        raise InputError(f"{root}: {what}; name a lake's folder (sites, crews, visits, intervals/date=.../)")
    where, toml, text = source.root, source.beside("lake.toml"), ""
    if toml is not None:
        try:
            text = toml.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"{where}/lake.toml: cannot be read as UTF-8 text ({error})") from error
    lake = Lake(source, read_lake_config(text, f"{where}/lake.toml") if text else LakeConfig(), text)
    if lake.register("sites") is None:
        raise InputError(f"{where}: no sites.csv or sites.parquet; put the register there")
    if not source.has_intervals():
        raise InputError(f"{where}: no folder intervals; put the data in intervals/date=YYYY-MM-DD/")
    if not lake.days():
        odd = lake.oddities()
        hint = f" ({odd[0][0]}: {odd[0][1]})" if odd else ""
        raise InputError(f"{where}/intervals: no day holds a file{hint}; put data in date=YYYY-MM-DD/")
    return lake


def _is_hidden(name: str) -> bool:
    """Markers and half-written files of writers: `_SUCCESS`, `.part.crc`."""
    return name.startswith((".", "_"))


def _is_data(name: str) -> bool:
    return name.endswith(SUFFIXES) and not _is_hidden(name)


def _is_text(name: str) -> bool:
    """Tell whether a name can be written down: a folder's may have bytes that are no UTF-8."""
    return all(not "\ud800" <= sign <= "\udfff" for sign in name)
