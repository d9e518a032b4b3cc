"""A lake, in a folder or an object store: which days, files and registers it holds, in the order they arrived."""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

from pipeline.core.errors import InputError
from pipeline.core.settings import Settings, load_settings
from pipeline.core.toml_reader import read_text
from pipeline.ingest.any_day import DatedFiles, dated_files
from pipeline.ingest.lake_config import LakeConfig, read_lake_config
from pipeline.ingest.lake_listing import is_data, is_hidden, listed_files, listed_partitions, partition_day
from pipeline.ingest.partition_days import PartitionDays
from pipeline.ingest.register_rows import ratings_kw
from pipeline.storage.bucket_lake_source import BucketSource
from pipeline.storage.cache_base import cache_base
from pipeline.storage.lake_source import (
    UTILITY_SUFFIXES,
    FolderSource,
    LakeFile,
    LakeSource,
    RowsOfDay,
)
from pipeline.storage.object_url import ObjectUrl, object_url

__all__ = ["Lake", "LakeFile", "RowsOfDay", "open_lake", "partition_day"]


@dataclass(frozen=True)
class Lake:
    """An opened lake; `config` is what its lake.toml says, or the contract's own names.

    `config_text` is all that its files are read by: lake.toml, and ratings of homes where a unit needs them. Copies of
    files with rows of any day lie in the folder `cache`.
    """

    source: LakeSource
    config: LakeConfig = field(default_factory=LakeConfig)
    config_text: str = ""
    cache: Path | None = None
    _fingerprints: dict[date, str] = field(default_factory=dict, init=False, compare=False, repr=False)

    def __getstate__(self) -> dict[str, Any]:
        """Leave the days of a fleet's files out: tasks that are sent elsewhere ask for fingerprints only."""
        return {name: value for name, value in self.__dict__.items() if name != "_dated"}

    @property
    def root(self) -> Path | ObjectUrl:
        """The folder or address, as people call it."""
        return self.source.root

    @cached_property
    def _partitions(self) -> tuple[dict[date, str], list[tuple[str, str]]]:
        return listed_partitions(self.source)

    @cached_property
    def _loose(self) -> tuple[list[LakeFile], list[tuple[str, str]]]:
        return listed_files(self.source)

    @cached_property
    def _dated(self) -> DatedFiles | None:
        """The files with rows of any day, taken in; None: each partition is a day."""
        if self.config.intervals.files == "a day":
            return None
        return dated_files(
            self._loose[0], self.config.intervals, self.config_text,
            folder=self._cache, bring=self.source.bring, drop=self.source.drop,
        )  # fmt: skip

    @cached_property
    def _cache(self) -> Path:
        """A folder of this lake in the cache, or one that goes with this object where there can be none."""
        name = f"lake-{hashlib.blake2b(str(self.source.place).encode(), digest_size=8).hexdigest()}"
        try:
            if self.cache is not None:
                (self.cache / name).mkdir(parents=True, exist_ok=True)
                return self.cache / name
        except OSError:  # as where the user has no home folder
            pass
        folder = tempfile.mkdtemp(prefix="nightclamp-")
        weakref.finalize(self, shutil.rmtree, folder, ignore_errors=True)
        return Path(folder)

    def days(self) -> list[date]:
        """Return the UTC days that files may have rows of, oldest first."""
        if self._dated is not None:
            return self._dated.days
        return sorted({day for partition in self._partitions[0] for day in self._days_of.days(partition)})

    def future_days(self, today: date) -> list[date]:
        """Return the days after `today` (UTC) that the lake can't have rows of yet, oldest first."""
        if self._dated is not None:
            return [day for day in self._dated.days if day > today]
        to_come = [one for one in self._partitions[0] if self._days_of.is_to_come(one, today)]
        return sorted({day for partition in to_come for day in self._days_of.days(partition)})

    @property
    def _days_of(self) -> PartitionDays:
        return self.config.intervals.partition_days

    def oddities(self) -> list[tuple[str, str]]:
        """Return (where, what) for everything under intervals/ that is not read."""
        return self._partitions[1] if self.config.intervals.files == "a day" else self._loose[1]

    def unread_files(self) -> list[tuple[str, str]]:
        """Return (name, why) of the files with rows of any day that can't be read, or have a row of none."""
        dated = self._dated.files if self._dated is not None else ()
        return [
            (one.file.name, f"the file {one.taken_in.why}" if one.taken_in.why else "no row has a time")
            for one in dated
            if not one.days
        ]

    def newest_finished_day(self, now: datetime) -> date:
        """Return the newest day in the lake that is over `now` (UTC), the default as-of day.

        Raises
        ------
        InputError
            No day in the lake is over.
        """
        today, days_of = now.date(), self._days_of
        if self._dated is None:
            whole = [days_of.last_whole_day(one) for one in self._partitions[0] if days_of.is_over(one, now)]
        else:
            whole = [min(self._dated.last_whole_day() or today, today - timedelta(days=1))]
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
        if self._dated is not None:
            return self._dated.read_of(day)
        files: list[LakeFile] = []
        for partition in self._days_of.partitions(day):
            entry = self._partitions[0].get(partition)
            if entry is None:
                continue
            found = [file for file in self.source.files(entry) if is_data(file.name.rpartition("/")[2])]
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
            if is_hidden(name):
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
        if file.rows is not None and file.rows.taken_in is not None:
            return file
        return self.source.bring(file, workdir, number)

    def drop(self, files: list[LakeFile]) -> None:
        """Remove the copies that `bring` made."""
        for file in files:
            if file.rows is None or file.rows.taken_in is None:
                self.source.drop(file)

    def fingerprint(self, day: date) -> str:
        """Return a text that changes when lake.toml does, or a file of `day` by name, size, time or ETag."""
        if day in self._fingerprints:
            return self._fingerprints[day]
        digest = hashlib.sha256(self.config_text.encode())
        if self._dated is not None:  # taken in when the lake was first asked: it stays as it is
            digest.update(self._dated.fingerprint(day).encode())
            return self._fingerprints.setdefault(day, digest.hexdigest()[:32])
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
        text = read_text(toml, f"{where}/lake.toml", "lake.toml")
    settings = settings or load_settings()
    config = read_lake_config(text, f"{where}/lake.toml") if text else LakeConfig()
    lake = Lake(source, config, text, cache_base(settings.object_store))
    register = lake.register("sites")
    if register is None:
        raise InputError(f"{where}: no sites.csv or sites.parquet; put the register there")
    if config.intervals.needs_ratings:
        with lake.naming():
            ratings = ratings_kw(register, config.sites)
        rated = config.model_copy(update={"intervals": config.intervals.with_ratings(ratings)})
        lake = replace(lake, config=rated, config_text=f"{text}\n{json.dumps(sorted(ratings.items()))}")
    if not source.has_intervals():
        raise InputError(f"{where}: no folder intervals; put the data in intervals/date=YYYY-MM-DD/")
    if not lake.days():
        odd = lake.oddities()
        odd += lake.unread_files()
        hint = f" ({odd[0][0]}: {odd[0][1]})" if odd else ""
        raise InputError(f"{where}/intervals: no day holds a file{hint}; put data in date=YYYY-MM-DD/")
    return lake


def _is_text(name: str) -> bool:
    """Tell whether a name can be written down: a folder's may have bytes that are no UTF-8."""
    return all(not "\ud800" <= sign <= "\udfff" for sign in name)
