"""Where a lake's files lie: under intervals/ and utility/, the registers beside, and a local file to read each from."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Protocol

from pipeline.core.errors import InputError
from pipeline.storage.object_url import ObjectUrl

SUFFIXES = (".parquet", ".csv", ".csv.gz")
UTILITY = "utility"
UTILITY_SUFFIXES = (".xml", ".xml.gz", *SUFFIXES)


@dataclass(frozen=True)
class TakenIn:
    """What a file came to when it was taken in: the copy of its rows, or `why` there is none.

    `lacks` are columns that some fleets require and it has not, each with what to say.
    """

    path: Path | None
    why: str | None = None
    lacks: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class RowsOfDay:
    """Which rows of a file are those of the UTC day `day`, where a file has rows of several.

    Those that start on it. Rows that start on no day from `first` to `last`, or at no time, are told by one day only:
    this one if it `takes_others`. With `taken_in` they are read from a copy, not from the file.
    """

    day: date
    first: date
    last: date
    takes_others: bool
    taken_in: TakenIn | None = None


@dataclass(frozen=True)
class LakeFile:
    """A file of readings: `path` as opened, `name` as people see it, from the lake's folder.

    `tag` is what an object store calls this content (its ETag); a folder has none. `rows` are those that are read of
    it; None: all.
    """

    path: Path
    name: str
    size: int
    mtime_ns: int
    tag: str = ""
    rows: RowsOfDay | None = None


@dataclass(frozen=True)
class Partition:
    """An entry of intervals/: its name, the names of data and of other things inside; None inside: no folder."""

    name: str
    inside: tuple[tuple[str, bool], ...] | None


class LakeSource(Protocol):
    """What a lake needs of the place that it lies in."""

    @property
    def root(self) -> Path | ObjectUrl:
        """The lake's folder or address, as people call it."""

    @property
    def place(self) -> str:
        """What no other lake is called."""

    def has_intervals(self) -> bool:
        """Tell whether there is anything called intervals/."""

    def partitions(self) -> list[Partition]:
        """Return what lies in intervals/, by name; of things inside whether they are files."""

    def files(self, partition: str) -> list[LakeFile]:
        """Return the files in a partition as they are now, in no order."""

    def loose_files(self) -> list[LakeFile]:
        """Return the files that lie in intervals/ itself as they are now, in no order."""

    def utility(self) -> tuple[list[LakeFile], list[str]]:
        """Return the files in utility/ as they are now, in no order, and the names of folders in it."""

    def beside(self, name: str) -> Path | None:
        """Return a local file to read sites.csv, lake.toml and the like from; None if there is none."""

    def named(self, text: str) -> str:
        """Return the text with copies that `beside` made as people call them."""

    def bring(self, file: LakeFile, workdir: Path, number: int) -> LakeFile:
        """Return the file with a `path` that can be read here, a copy in `workdir` where need be."""

    def drop(self, file: LakeFile) -> None:
        """Remove the copy that `bring` made, if it made one."""


@dataclass(frozen=True)
class FolderSource:
    """A folder on disk."""

    root: Path

    @property
    def place(self) -> str:
        """The folder's whole path."""
        return str(self.root.resolve())

    def has_intervals(self) -> bool:
        """Tell whether there is a folder intervals/."""
        return (self.root / "intervals").is_dir()

    def partitions(self) -> list[Partition]:
        """Return what lies in intervals/, by name."""
        days = []
        for entry in sorted(os.scandir(self.root / "intervals"), key=lambda e: e.name):
            inside = sorted((e.name, _is_file(e)) for e in os.scandir(entry.path)) if entry.is_dir() else None
            days.append(Partition(entry.name, None if inside is None else tuple(inside)))
        return days

    def files(self, partition: str) -> list[LakeFile]:
        """Return the files in a partition as they are now."""
        return self._inside(f"intervals/{partition}")[0]

    def loose_files(self) -> list[LakeFile]:
        """Return the files that lie in intervals/ itself as they are now."""
        return self._inside("intervals")[0]

    def utility(self) -> tuple[list[LakeFile], list[str]]:
        """Return the files in utility/ as they are now, and the names of folders in it."""
        return self._inside(UTILITY) if (self.root / UTILITY).is_dir() else ([], [])

    def _inside(self, folder: str) -> tuple[list[LakeFile], list[str]]:
        files, others = [], []
        for entry in os.scandir(self.root / folder):
            name = f"{folder}/{entry.name}"
            if not _is_file(entry):
                others.append(name)
                continue
            try:
                stat = entry.stat()
            except FileNotFoundError:  # taken away since it was listed
                continue
            files.append(LakeFile(Path(entry.path), name, stat.st_size, stat.st_mtime_ns))
        return files, others

    def beside(self, name: str) -> Path | None:
        """Return the file of that name in the lake's folder; what is none is not passed over in silence.

        Raises
        ------
        InputError
            There is something of that name, but no file: a folder, a pipe, a link to nothing.
        """
        path = self.root / name
        if path.is_file():
            return path
        if not os.path.lexists(path):
            return None
        what = (
            "a folder"
            if path.is_dir()
            else "a link to no file"
            if path.is_symlink()
            else "a pipe or a device"
        )
        raise InputError(f"{path}: is {what}, not a file; put the file there, or remove it")

    def named(self, text: str) -> str:
        """Return the text as it is."""
        return text

    def bring(self, file: LakeFile, workdir: Path, number: int) -> LakeFile:
        """Return the file as it lies: it is read in place."""
        return file

    def drop(self, file: LakeFile) -> None:
        """Leave the file where it lies."""


def _is_file(entry: os.DirEntry[str]) -> bool:
    """Tell whether an entry is a file or leads to one; a link to itself leads nowhere."""
    try:
        return entry.is_file()
    except OSError:
        return False
