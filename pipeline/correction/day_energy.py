"""A day's energy of corrected readings, worked out once and kept until the day's file or an episode of it changes."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core import sql_runner
from pipeline.core.atomic_files import write_parquet
from pipeline.core.quantiles import Z95
from pipeline.core.services import SERVICES
from pipeline.core.settings import Settings
from pipeline.correction.layout import CORRECTED

_QUERIES = ("corrected_energy", "corrected_reason")
_BATCH_ROWS = 400_000  # read at once, a day at the least
_COUNTS = {name: service.line_count for name, service in SERVICES.items()}
_LINE_COUNT = pl.col("service").replace_strict(_COUNTS, default=2, return_dtype=pl.Int64).fill_null(2)
_ASKED = ("site_id", "from_on", "service", "is_upstream", "is_added_back", "has_battery")


def read_energy(
    files: Sequence[Path], episodes: pl.DataFrame, settings: Settings, *, workdir: Path, kept: Path
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return sql/corrected_energy.sql and sql/corrected_reason.sql over the days' corrected readings.

    Parameters
    ----------
    files
        date=YYYY-MM-DD/corrected.parquet, a day each.
    episodes
        `layout.EPISODE`; rows of homes and days without one are left out.
    settings
        [engine] and [day].
    workdir
        Where DuckDB spills.
    kept
        Folder of what was worked out before; what is no longer needed is removed from it.
    """
    kept.mkdir(parents=True, exist_ok=True)
    names = {path: _name(path, episodes, settings) for path in files}
    missing = [
        path for path in files if not all(_place(kept, names[path], query).is_file() for query in _QUERIES)
    ]
    with closing(sql_runner.connect(workdir, settings.engine)) as con:
        con.register("episode", episodes.with_columns(line_count=_LINE_COUNT).to_arrow())
        for batch in _batches(missing):
            for query in _QUERIES:
                found = _ask(con, query, batch, settings)
                for path in batch:
                    rows = found.filter(pl.col("day") == _day(path))
                    write_parquet(_place(kept, names[path], query), rows, compression="lz4")
        none = workdir / "no_rows.parquet"
        pl.DataFrame(schema=CORRECTED).write_parquet(none)
        tables = [
            pl.concat(
                [
                    _ask(con, query, [none], settings),
                    *(pl.read_parquet(_place(kept, name, query), glob=False) for name in names.values()),
                ]
            )
            for query in _QUERIES
        ]
    current = {_place(kept, name, query).name for name in names.values() for query in _QUERIES}
    for path in kept.glob("*.parquet"):
        if path.name not in current:
            path.unlink()
    energy, reasons = tables
    return energy.sort("site_id", "from_on", "day"), reasons


def _ask(
    con: duckdb.DuckDBPyConnection, query: str, files: Sequence[Path], settings: Settings
) -> pl.DataFrame:
    params = {
        "corrected_files": [sql_runner.as_named(path) for path in files],
        "default_length_min": settings.day.default_length_min,
        **({"z95": Z95} if query == "corrected_energy" else {}),
    }
    return sql_runner.query(con, query, params)


def _batches(files: Sequence[Path]) -> Iterator[list[Path]]:
    """Yield the files in parts of at most _BATCH_ROWS rows."""
    batch: list[Path] = []
    rows = 0
    for path in files:
        count = pl.scan_parquet(path, glob=False).select(pl.len()).collect().item()
        if batch and rows + count > _BATCH_ROWS:
            yield batch
            batch, rows = [], 0
        batch.append(path)
        rows += count
    if batch:
        yield batch


def _day(path: Path) -> date:
    return date.fromisoformat(path.parent.name.removeprefix("date="))


def _name(path: Path, episodes: pl.DataFrame, settings: Settings) -> str:
    """Return the name of a day's sums: the day, and the digest of all that they are made of."""
    day = _day(path)
    is_on = (pl.col("from_on") <= day) & (pl.col("to_on").is_null() | (pl.col("to_on") >= day))
    digest = hashlib.blake2b(path.read_bytes(), digest_size=16)
    asked = episodes.filter(is_on).select(_ASKED).sort("site_id").rows()
    texts = [sql_runner.sql_text(query) for query in _QUERIES]
    digest.update(repr((asked, settings.day.default_length_min, texts)).encode())
    return f"{day}-{digest.hexdigest()}"


def _place(kept: Path, name: str, query: str) -> Path:
    return kept / f"{name}.{query}.parquet"
