"""The files of corrected rows, a UTC day each; a file itself says what its homes' rows come from and how many they are.

    OUT/corrected/date=YYYY-MM-DD/corrected.parquet

A file is there whole or not at all, and its metadata carry the table HOME: there is no other record that could be ahead
of the files. A home whose digest is still the same is left as it is.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.core.atomic_files import part_of, sync
from pipeline.core.errors import NightFailed
from pipeline.correction.layout import CORRECTED, METHODS
from pipeline.storage.layout import CORRECTED_DAY

# Columns that count a home's rows by method.
METHOD_COLUMNS = {method: method.replace(" ", "_") for method in METHODS}
# A row a home with an episode on the day: `digest` of all that its rows come from, then rows as the lake has them and
# as they were written, by method.
HOME = pl.Schema(
    {
        "site_id": pl.String,
        "digest": pl.String,
        **dict.fromkeys(("rows_in", "used", "duplicate", "rejected", *METHOD_COLUMNS.values()), pl.Int64),
    }
)
COUNTS = tuple(name for name, kind in HOME.items() if kind == pl.Int64)
_KEY = b"nightclamp_homes"
_GROUP_ROWS = 50_000  # a reader of one home leaves the other groups unread
_FOLDER = re.compile(r"date=(\d{4}-\d{2}-\d{2})")
_SCHEMA = pl.DataFrame(schema=CORRECTED).to_arrow(compat_level=pl.CompatLevel.oldest()).schema


@dataclass(frozen=True)
class DayFiles:
    """The folder OUT/corrected."""

    root: Path

    def path(self, day: date) -> Path:
        """Return where a day's file lies."""
        return self.root / f"date={day}" / CORRECTED_DAY

    def days(self) -> list[date]:
        """Return the days that have a file, oldest first; what killed runs left half is removed."""
        days = []
        for folder in sorted(self.root.glob("date=*")):
            matched = _FOLDER.fullmatch(folder.name)
            if not matched:
                continue
            for part in folder.glob(".*.part"):
                part.unlink()
            if (folder / CORRECTED_DAY).is_file():
                days.append(date.fromisoformat(matched[1]))
            elif not any(folder.iterdir()):
                folder.rmdir()
        return days

    def homes(self, day: date) -> pl.DataFrame:
        """Return table HOME of a day's file; without rows where there is no file, or none that can be read."""
        try:
            metadata = pq.read_metadata(self.path(day)).metadata or {}
            return pl.DataFrame(json.loads(metadata[_KEY]), schema=HOME)
        except (OSError, ValueError, LookupError, TypeError, pa.ArrowException, pl.exceptions.PolarsError):
            return pl.DataFrame(schema=HOME)

    def rows(self, day: date, homes: list[str]) -> pl.DataFrame:
        """Return the corrected rows of these homes in a day's file."""
        if not homes:
            return pl.DataFrame(schema=CORRECTED)
        path = self.path(day)
        return pl.scan_parquet(path, glob=False).filter(pl.col("site_id").is_in(homes)).collect()

    def remove(self, day: date) -> None:
        """Remove a day's file, and its folder with it."""
        path = self.path(day)
        path.unlink(missing_ok=True)
        if path.parent.is_dir() and not any(path.parent.iterdir()):
            path.parent.rmdir()

    @contextmanager
    def written(self, day: date) -> Iterator[DayWriter]:
        """Give what takes the rows of a new file, which is there, in place of the old one, when the block ends well.

        Raises
        ------
        NightFailed
            The file hasn't as many rows as its homes are said to have.
        """
        path = self.path(day)
        path.parent.mkdir(parents=True, exist_ok=True)
        part = part_of(path)
        try:
            with pq.ParquetWriter(part, _SCHEMA, compression="zstd", compression_level=3) as writer:
                rows = DayWriter(writer)
                yield rows
                homes = pl.concat([pl.DataFrame(schema=HOME), *rows.homes])
                writer.add_key_value_metadata({_KEY: json.dumps(homes.to_dict(as_series=False))})
            said, there = (
                int(homes.select(METHOD_COLUMNS.values()).sum().sum_horizontal()[0]),
                pq.read_metadata(part),
            )
            if said != there.num_rows:
                raise NightFailed(
                    f"{path}: {there.num_rows} rows written, {said} corrected; please report this"
                )
            sync(part)
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)
            if not any(path.parent.iterdir()):
                path.parent.rmdir()


@dataclass
class DayWriter:
    """Takes a day's rows, homes in order, some at a time."""

    writer: pq.ParquetWriter
    homes: list[pl.DataFrame] = field(default_factory=list)

    def add(self, rows: pl.DataFrame, homes: pl.DataFrame) -> None:
        """Add `rows` (CORRECTED, sorted) of all `homes` (table HOME), which come after those before."""
        self.homes.append(homes)
        if rows.height:
            table = rows.rechunk().to_arrow(compat_level=pl.CompatLevel.oldest())
            self.writer.write_table(table.cast(_SCHEMA), row_group_size=_GROUP_ROWS)
