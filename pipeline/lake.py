"""A lake on disk: which days, files and registers it holds, in the order they arrived."""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from pathlib import Path

from pipeline.errors import InputError
from pipeline.mapping import Mapping, read_mapping

SUFFIXES = (".parquet", ".csv", ".csv.gz")
_PARTITION = re.compile(r"date=(\d{4}-\d{2}-\d{2})")


@dataclass(frozen=True)
class LakeFile:
    """A file of intervals: `path` as opened, `name` as people see it, from the lake's folder."""

    path: Path
    name: str
    size: int
    mtime_ns: int


@dataclass(frozen=True)
class Lake:
    """An opened lake; `mapping` is what its lake.toml says, or the contract's own names."""

    root: Path
    mapping: Mapping = field(default_factory=Mapping)
    mapping_text: str = ""

    @cached_property
    def _partitions(self) -> tuple[dict[date, Path], list[tuple[str, str]]]:
        days: dict[date, Path] = {}
        odd: list[tuple[str, str]] = []
        for entry in sorted(os.scandir(self.root / "intervals"), key=lambda e: e.name):
            name = f"intervals/{entry.name}"
            if _is_hidden(entry.name):
                continue
            day = partition_day(entry.name) if entry.is_dir() else None
            if day is None:
                odd.append((name, "not a partition named date=YYYY-MM-DD; it is not read"))
                continue
            inside = [e for e in os.scandir(entry.path) if not _is_hidden(e.name)]
            odd += [
                (f"{name}/{e.name}", f"not one of {', '.join(SUFFIXES)}; it is not read")
                for e in inside
                if not _is_data(e)
            ]
            if any(_is_data(e) for e in inside):
                days[day] = Path(entry.path)
            else:
                odd.append((name, "a day without a file"))
        return days, odd

    def days(self) -> list[date]:
        """Return the UTC days that have files, oldest first."""
        return sorted(self._partitions[0])

    def oddities(self) -> list[tuple[str, str]]:
        """Return (where, what) for everything under intervals/ that is not read."""
        return self._partitions[1]

    def newest_day(self, today: date) -> date:
        """Return the newest day in the lake that is not after `today` (UTC), the default as-of day.

        Raises
        ------
        InputError
            Every partition lies after `today`.
        """
        past = [day for day in self.days() if day <= today]
        if not past:
            raise InputError(f"{self.root}: every partition lies after today, {today}; check the date= names")
        return past[-1]

    def files(self, day: date) -> list[LakeFile]:
        """Return the files of `day` in the order they arrived: modification time, then name."""
        folder = self._partitions[0].get(day)
        if folder is None:
            return []
        found = []
        for entry in os.scandir(folder):
            if not _is_hidden(entry.name) and _is_data(entry):
                try:
                    stat = entry.stat()
                except FileNotFoundError:  # taken away since it was listed
                    continue
                name = f"intervals/{folder.name}/{entry.name}"
                found.append(LakeFile(Path(entry.path), name, stat.st_size, stat.st_mtime_ns))
        return sorted(found, key=lambda f: (f.mtime_ns, f.name))

    def fingerprint(self, day: date) -> str:
        """Return a text that changes when lake.toml does, or a file of `day` by name, size or time."""
        digest = hashlib.sha256(self.mapping_text.encode())
        for file in self.files(day):
            digest.update(f"{file.name}\0{file.size}\0{file.mtime_ns}\n".encode())
        return digest.hexdigest()[:32]

    def register(self, table: str) -> Path | None:
        """Return the file of a register, "sites" to "trainings", or None; Parquet before CSV."""
        found = (self.root / f"{table}{suffix}" for suffix in (".parquet", ".csv"))
        return next((path for path in found if path.is_file()), None)


def partition_day(name: str) -> date | None:
    """Return the day of a partition named date=YYYY-MM-DD, or None."""
    matched = _PARTITION.fullmatch(name)
    try:
        return date.fromisoformat(matched.group(1)) if matched else None
    except ValueError:
        return None


def open_lake(root: str | Path) -> Lake:
    """Open the lake in the folder `root`.

    Raises
    ------
    InputError
        No such folder; no sites or crews register; no intervals; or a lake.toml that says nonsense.
    """
    if "://" in str(root):
        raise InputError(f"{root}: not a folder; copy or mount the object store and name the folder")
    folder = Path(root)
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder; name a lake (sites, crews, visits, intervals/date=.../)")
    toml = folder / "lake.toml"
    text = ""
    if toml.is_file():
        try:
            text = toml.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"{toml}: cannot be read as UTF-8 text ({error})") from error
    lake = Lake(folder, read_mapping(text, str(toml)) if text else Mapping(), text)
    for table in ("sites", "crews"):
        if lake.register(table) is None:
            raise InputError(f"{folder}: no {table}.csv or {table}.parquet; put the register there")
    if not (folder / "intervals").is_dir():
        raise InputError(f"{folder}: no folder intervals; put the data in intervals/date=YYYY-MM-DD/")
    if not lake.days():
        odd = lake.oddities()
        found = f" ({odd[0][0]}: {odd[0][1]})" if odd else ""
        raise InputError(f"{folder}/intervals: no day holds a file{found}; put data in date=YYYY-MM-DD/")
    return lake


def _is_hidden(name: str) -> bool:
    """Markers and half-written files of writers: `_SUCCESS`, `.part.crc`."""
    return name.startswith((".", "_"))


def _is_data(entry: os.DirEntry[str]) -> bool:
    return entry.is_file() and entry.name.endswith(SUFFIXES)
