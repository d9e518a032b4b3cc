"""What the pipeline keeps between nights: statistics, a file a day and shard of homes; rebuilt if deleted.

A shard's files carry the digest of everything they were worked out from (the lake's files, the SQL, the settings) and
the shard in their name. A file of another digest is stale: the day is redone, and the stale file removed afterwards.
The store may lie on storage that several machines share: each file is there whole or not at all, and
written twice it is the same file.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.core import sql_runner
from pipeline.core.atomic_files import move_in, write_bytes, write_parquet
from pipeline.core.settings import Settings
from pipeline.core.sharding import Shard, between
from pipeline.features.day_counts import DayCounts
from pipeline.features.kernel_digest import kernel_digest
from pipeline.storage.layout import LINE_TABLE, STORE_TABLES

_ROW_GROUP_ROWS = 5_000  # a night reads some homes of every day; it then opens only the groups they are in
# Every night reads all of site_day and line_day, window after window: a fifth more disk, half the time to unpack.
_COMPRESSION: dict[str, Literal["zstd", "lz4"]] = {
    "site_hour": "zstd", "reject": "zstd", "line_day": "lz4", "site_day": "lz4",
}  # fmt: skip
_LONG_FOOTER = ("line_day", "site_day")
_QUERIES = (
    "macros",
    "interval_read",
    "interval_checked",
    "interval_reject",
    "sun_time",
)  # what a day comes from


@dataclass(frozen=True)
class Cut:
    """How a day is cut into shards of homes, and how many rows its files say they hold: all shards' `rows_in`."""

    shards: tuple[Shard, ...]
    rows_in: int


@dataclass(frozen=True)
class Store:
    """The folder OUT/store."""

    root: Path

    def path(self, table: str, day: date, digest: str, shard: Shard) -> Path:
        """Return where a shard's table of this digest lies.

        Parameters
        ----------
        table
            A table of the store.
        day
            The UTC day.
        digest
            `day_digest` of what the day comes from.
        shard
            The homes.
        """
        return self.root / table / f"date={day}" / f"{table}-{digest}-{shard.name}.parquet"

    def counts_path(self, day: date, digest: str, shard: Shard) -> Path:
        """Return where a shard's counts of this digest lie."""
        return self.root / "intake" / f"date={day}" / f"intake-{digest}-{shard.name}.json"

    def cut_path(self, day: date, digest: str) -> Path:
        """Return where the day's cut lies."""
        return self.root / "cut" / f"date={day}" / f"cut-{digest}.json"

    def has(self, day: date, digest: str, shard: Shard) -> bool:
        """Tell whether the shard is complete with this digest, each of its files readable.

        Of site_day and line_day, whose footers are long, only that they have one: who asks whether a home moved reads
        it.
        """
        try:
            counts = self.counts(day, digest, shard)
            for table in STORE_TABLES:
                path = self.path(table, day, digest, shard)
                if table == LINE_TABLE and not counts.three_line_homes:
                    continue
                if table not in _LONG_FOOTER:
                    pq.read_metadata(path)
                elif not _has_footer(path):
                    return False
        except (OSError, ValueError, TypeError, LookupError, pa.ArrowException):
            return False
        return True

    def counts(self, day: date, digest: str, shard: Shard) -> DayCounts:
        """Return the counts of a complete shard."""
        raw = json.loads(self.counts_path(day, digest, shard).read_text(encoding="utf-8"))
        return DayCounts(**{**raw, "unknown_homes": tuple(raw["unknown_homes"])})

    def put(
        self,
        day: date,
        digest: str,
        shard: Shard,
        tables: Mapping[str, pl.DataFrame | Path],
        counts: DayCounts,
    ) -> None:
        """Write a shard whole, each file in one step; a table that is a finished Parquet file is moved in.

        The counts come last: they mark a new shard as complete. When it is redone under its old digest, since a home
        moved or is known now, what tells so (site_day's keys, the counts' unknown homes) is still the old
        until that file is the new one, so a night killed in between is followed by one that redoes it too.

        Parameters
        ----------
        day
            The UTC day.
        digest
            `day_digest` of what the day comes from.
        shard
            The homes.
        tables
            Each of STORE_TABLES, as rows or as a finished file; line_day may be left out.
        counts
            What came in.
        """
        for table in STORE_TABLES:
            path = self.path(table, day, digest, shard)
            if table == LINE_TABLE and not counts.three_line_homes:
                path.unlink(missing_ok=True)
                continue
            table_rows = tables[table]
            if isinstance(table_rows, Path):
                move_in(table_rows, path)
            else:
                write_parquet(path, table_rows, _ROW_GROUP_ROWS, compression=_COMPRESSION[table])
        write_bytes(self.counts_path(day, digest, shard), counts.as_json())

    def cut(self, day: date, digest: str) -> Cut | None:
        """Return the cut of a day that was begun with this digest, or None."""
        return _read_cut(self.cut_path(day, digest))

    def put_cut(self, day: date, digest: str, cut: Cut) -> None:
        """Note how the day is cut, before its shards are worked out: a night that is killed goes on from there."""
        if self.cut(day, digest) != cut:
            content = {"rows_in": cut.rows_in, "starts": [shard.first_home for shard in cut.shards[1:]]}
            write_bytes(self.cut_path(day, digest), json.dumps(content).encode())

    def whole_files(self, table: str, day: date, homes: Sequence[str]) -> list[Path]:
        """Return the files of a day, whatever its digest, that may have rows of these homes.

        None where the day isn't there whole in one version. A file of line_day that isn't there has no rows.
        """
        names = [
            path.stem.removeprefix("cut-") for path in (self.root / "cut" / f"date={day}").glob("cut-*.json")
        ]
        cut = self.cut(day, names[0]) if len(names) == 1 else None
        shards = [shard for shard in cut.shards if any(map(shard.has, homes))] if cut else []
        paths = [self.path(table, day, names[0], shard) for shard in shards]
        if table == LINE_TABLE:
            paths = [path for path in paths if path.exists()]
        return paths if all(map(_is_whole, paths)) else []

    def newest_shards(self) -> tuple[Shard, ...]:
        """Return how the newest day of the store is cut; empty where there is none."""
        for folder in sorted((self.root / "cut").glob("date=*"), reverse=True):
            for path in sorted(folder.glob("cut-*.json")):
                if cut := _read_cut(path):
                    return cut.shards
        return ()

    def drop_stale(self, day: date, digest: str, shards: Sequence[Shard]) -> None:
        """Remove what the day has of other digests and cuts, and what writers that were killed left half."""
        current = {self.cut_path(day, digest)}
        for shard in shards:
            current |= {
                self.counts_path(day, digest, shard),
                *(self.path(table, day, digest, shard) for table in STORE_TABLES),
            }
        for folder in {path.parent for path in current}:
            for path in folder.iterdir() if folder.is_dir() else ():
                if path not in current:
                    path.unlink(missing_ok=True)


def day_digest(fingerprint: str, settings: Settings) -> str:
    """Return the digest of all that a day's statistics come from: files, queries, settings.

    How many homes a shard has is not among them: any cut gives the same rows.
    """
    digest = hashlib.blake2b(digest_size=8)
    digest.update(fingerprint.encode())
    for table in _QUERIES:
        digest.update(sql_runner.sql_text(table).encode())
    digest.update(kernel_digest().encode())
    digest.update(settings.day.model_dump_json().encode())
    digest.update(settings.lake.model_dump_json(exclude={"homes_per_shard"}).encode())
    return digest.hexdigest()


def _is_whole(path: Path) -> bool:
    """Tell whether a file is there and ends as Parquet does."""
    try:
        return _has_footer(path)
    except OSError:
        return False


def _has_footer(path: Path) -> bool:
    """Tell whether a Parquet file ends as one does: the footer's length, which fits, and the letters PAR1."""
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(size - 8, 0))
        end = file.read()
    return end[4:] == b"PAR1" and int.from_bytes(end[:4], "little") <= size - 12


def _read_cut(path: Path) -> Cut | None:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        rows_in, starts = int(content["rows_in"]), [str(start) for start in content["starts"]]
    except (OSError, ValueError, TypeError, LookupError):
        return None
    return Cut(between(starts), rows_in)
