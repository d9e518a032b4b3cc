"""A run's tables as files: Parquet, CSV that no spreadsheet runs as formulas, and one DuckDB database of them all."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core import sql_runner

# Enough for any table that is copied into the run's database: it goes to the disk as it comes.
_SMALL: dict[str, str | bool | int | float | list[str]] = {"memory_limit": "500MB", "threads": 1}
# What makes a spreadsheet run a cell: a sign of these (also in full width), after blanks and marks that it drops.
_SIGN = "[=+\\-@\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b]"
_FORMULA = rf"^(?:[\s\p{{Cc}}\p{{Cf}}]*{_SIGN}|[\t\r])"
# Where lists are parted by semicolons, a cell of our file also begins at each of these.
_INNER = rf"([;\t\r\n][\s\p{{Cc}}\p{{Cf}}]*)({_SIGN})"


def write_tables(
    folder: Path,
    tables: Mapping[str, pl.DataFrame],
    as_csv: tuple[str, ...],
    *,
    views: tuple[str, ...] = (),
    streamed: Mapping[str, Callable[[Path], None]] | None = None,
    workers: int = 1,
) -> None:
    """Write each table as Parquet, those named in `as_csv` as CSV too, and all of them as nightclamp.duckdb.

    `views` names queries of sql/ over these tables, which nightclamp.duckdb has as views. `streamed` tables are too
    big to be held: each is what writes it as the Parquet file it is called with. `workers` tables are written at once;
    only where they lie within nightclamp.duckdb depends on it.

    Parameters
    ----------
    folder
        The run's folder.
    tables
        Rows by table name.
    as_csv
        Tables that are written as CSV too.
    views
        Queries of sql/ that nightclamp.duckdb has as views.
    streamed
        What writes a table too big to be held, by its name.
    workers
        Tables written at once.
    """
    # A table is too few row groups for threads of its own. Closed whatever happens: within a process DuckDB would hand
    # a file that was left open, with its tables, to the next night.
    with closing(duckdb.connect(str(folder / "nightclamp.duckdb"), config=_SMALL)) as con:
        for name, write_to in (streamed or {}).items():
            path = folder / f"{name}.parquet"
            write_to(path)
            con.read_parquet(sql_runner.as_named(path)).create(name)

        def write(name: str) -> None:
            table = tables[name]
            table.write_parquet(folder / f"{name}.parquet", compression="zstd")
            if name in as_csv:
                write_csv(table, folder / f"{name}.csv")
            with con.cursor() as cursor:
                cursor.register(f"incoming {name}", table.to_arrow())
                cursor.table(f'"incoming {name}"').create(name)

        with ThreadPoolExecutor(workers) as pool:  # the largest first, so that none is left over at the end
            list(pool.map(write, sorted(tables, key=lambda name: -tables[name].estimated_size())))
        for name in views:
            con.sql(sql_runner.sql_text(name), alias=f"{name}_rows").create_view(name)


def write_csv(table: pl.DataFrame, path: Path) -> None:
    """Write a table as CSV; a text that a spreadsheet would run as a formula gets an apostrophe in front."""
    safe = table.with_columns(_as_text(pl.col(c)) for c, kind in table.schema.items() if kind == pl.String)
    safe.write_csv(path, float_precision=4)


def _as_text(cell: pl.Expr) -> pl.Expr:
    escaped = cell.str.replace_all(_INNER, "${1}'${2}")
    return pl.when(cell.str.contains(_FORMULA)).then("'" + escaped).otherwise(escaped).name.keep()
