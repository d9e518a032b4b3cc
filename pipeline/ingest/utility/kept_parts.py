"""What some homes' rows came to, kept from night to night while nothing changes that it depends on."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from functools import cache
from importlib.resources import files
from pathlib import Path

import polars as pl

_SETTLES = ("home_points.py", "intake.py", "kept_parts.py", "layout.py", "settle.py", "steps.py")
TABLE, REJECTS, FACTS = "table.parquet", "rejects.parquet", "facts.parquet"


class KeptParts:
    """Folders of settled parts in `store`: each has TABLE, perhaps REJECTS and, written last, FACTS."""

    def __init__(self, store: Path) -> None:
        """Remember the place."""
        self._store = store
        self._asked: set[Path] = set()

    def folder(self, points: pl.DataFrame, *, as_of: date) -> Path:
        """Return the folder of a part.

        `points` are its usage points in the order of their files: `path` of the parsed file, `last_start` and all that
        rows are settled by. The night's day matters only if a reading comes after it.
        """
        last = points["last_start"].max()
        is_past = last is None or (isinstance(last, datetime) and last < _end_of(as_of))
        told = points.with_columns(pl.col("path").str.split("/").list.last()).drop("arrival")
        digest = hashlib.blake2b(told.write_csv().encode(), digest_size=16)
        digest.update(f"{'' if is_past else as_of}\0{_code()}".encode())
        folder = self._store / digest.hexdigest()
        self._asked.add(folder)
        return folder

    def clear(self) -> None:
        """Remove the folders that nobody asked for."""
        if self._store.is_dir():
            for folder in set(self._store.iterdir()) - self._asked:
                shutil.rmtree(folder, ignore_errors=True)


def code_digest(package: str, names: Iterable[str]) -> str:
    """Return a digest of modules of a package as they are written."""
    digest = hashlib.blake2b(digest_size=8)
    for name in names:
        digest.update(files(package).joinpath(name).read_bytes())
    return digest.hexdigest()


def _end_of(day: date) -> datetime:
    return datetime.combine(day, time()) + timedelta(days=1)


@cache
def _code() -> str:
    return code_digest("pipeline.ingest.utility", _SETTLES)
