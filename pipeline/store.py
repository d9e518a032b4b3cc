"""What the pipeline keeps between nights: one file of statistics a day, rebuilt from the lake if deleted.

A day's files carry the digest of everything they were worked out from (the lake's files, the SQL, the settings)
in their name. A file of another digest is stale: the day is redone, and the stale file removed afterwards.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict, dataclass
from datetime import date
from importlib.resources import files
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline import warehouse
from pipeline.daystats import DAY_TABLES
from pipeline.settings import Settings

TABLES = ("site_hour", "reject", "site_day")
_ROW_GROUP_ROWS = 5_000  # a night reads some homes of every day; it then opens only the groups they are in
_INGEST_TABLES = ("interval_read", "interval_checked", "interval_used", "interval_reject", "interval_count")


@dataclass(frozen=True)
class DayCounts:
    """Rows of one UTC day: `rows_in` = used + duplicate + rejected; and ids no register knows."""

    rows_in: int
    used: int
    duplicate: int
    rejected: int
    files: int
    unknown_homes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Store:
    """The folder OUT/store."""

    root: Path

    def path(self, table: str, day: date, digest: str) -> Path:
        """Return where a day's table of this digest lies."""
        return self.root / table / f"date={day}" / f"{table}-{digest}.parquet"

    def counts_path(self, day: date, digest: str) -> Path:
        """Return where a day's counts of this digest lie."""
        return self.root / "intake" / f"date={day}" / f"intake-{digest}.json"

    def has(self, day: date, digest: str) -> bool:
        """Tell whether the day is complete with this digest, each of its files readable."""
        try:
            self.counts(day, digest)
            for table in TABLES:
                pq.read_metadata(self.path(table, day, digest))
        except (OSError, ValueError, TypeError, LookupError, pa.ArrowException):
            return False
        return True

    def counts(self, day: date, digest: str) -> DayCounts:
        """Return the counts of a complete day."""
        raw = json.loads(self.counts_path(day, digest).read_text(encoding="utf-8"))
        return DayCounts(**{**raw, "unknown_homes": tuple(raw["unknown_homes"])})

    def put(self, day: date, digest: str, tables: dict[str, pl.DataFrame], counts: DayCounts) -> None:
        """Write a day whole: each file under a temporary name and renamed; then drop stale ones.

        The counts come last: they mark a new day as complete. When a day is redone under its old digest, since a home
        moved or is known now, what tells so (site_day's keys, the counts' unknown homes) is still the old
        until that file is the new one, so a night killed in between is followed by one that redoes it too.
        """
        for table in TABLES:
            _write_parquet(self.path(table, day, digest), tables[table])
        _write(self.counts_path(day, digest), json.dumps(asdict(counts), indent=1).encode())
        for kept in [self.counts_path(day, digest), *(self.path(table, day, digest) for table in TABLES)]:
            for stale in kept.parent.iterdir():
                if stale != kept:
                    stale.unlink()


def day_digest(fingerprint: str, settings: Settings) -> str:
    """Return the digest of all that a day's statistics come from: files, queries, settings."""
    digest = hashlib.blake2b(digest_size=8)
    digest.update(fingerprint.encode())
    for table in ("macros", *_INGEST_TABLES, *DAY_TABLES, "site_day", "site_hour"):
        digest.update(warehouse.sql_text(table).encode())
    for room in sorted(files("pipeline.tidy").iterdir(), key=lambda room: room.name):
        if room.name.endswith(".py"):
            digest.update(room.read_bytes())
    digest.update(settings.day.model_dump_json().encode())
    digest.update(settings.lake.model_dump_json().encode())
    return digest.hexdigest()


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(content)
    os.replace(part, path)


def _write_parquet(path: Path, frame: pl.DataFrame) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    frame.write_parquet(part, compression="zstd", compression_level=3, row_group_size=_ROW_GROUP_ROWS)
    os.replace(part, path)
