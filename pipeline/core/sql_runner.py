"""Runs the SELECTs of sql/ in DuckDB: one file is one table, parameters are `$names`."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.core.atomic_files import replacing
from pipeline.core.errors import InputError
from pipeline.core.setting_sections import EngineSettings

_PARAMETER = re.compile(r"\$([a-z_][a-z0-9_]*)")
_GROUP_ROWS = 50_000  # of a file that is written: what a reader holds at once
_COMMENT = re.compile(r"--[^\n]*")


@cache
def sql_text(table: str) -> str:
    """Return the text of sql/<table>.sql, found in the checkout or in the installed wheel."""
    return files("sql").joinpath(f"{table}.sql").read_text(encoding="utf-8")


def parameters(table: str) -> set[str]:
    """Return the `$names` that sql/<table>.sql takes (those in comments don't count)."""
    return parameter_names(sql_text(table))


def parameter_names(text: str) -> set[str]:
    """Return the `$names` that a query takes."""
    return set(_PARAMETER.findall(_COMMENT.sub("", text)))


def as_named(path: Path) -> str:
    """Return the path as DuckDB's readers take it by that name and no other: `*`, `?` and `[` are no patterns."""
    return re.sub(r"[*?[]", r"[\g<0>]", str(path))


def connect(workdir: Path, engine: EngineSettings) -> duckdb.DuckDBPyConnection:
    """Open an in-memory DuckDB that spills into `workdir` and never reaches for the network.

    Raises
    ------
    InputError
        [engine] asks for what DuckDB can't do.
    """
    try:
        con = duckdb.connect(
            config={
                "temp_directory": str(workdir),
                "memory_limit": engine.memory_limit,
                "threads": engine.threads,
                "autoinstall_known_extensions": False,
                "autoload_known_extensions": False,
            }
        )
    except duckdb.Error as error:
        raise InputError(f"setting engine: {' '.join(str(error).split())}") from error
    con.execute("SET TimeZone = 'UTC'")
    con.execute("SET enable_progress_bar = false")
    con.execute(sql_text("macros"))
    return con


def beside(con: duckdb.DuckDBPyConnection, engine: EngineSettings) -> duckdb.DuckDBPyConnection:
    """Open another database that spills where `con` does, for one of [engine] workers: they share its memory."""
    folder, limit = (
        con.execute(f"SELECT current_setting('{name}')").fetchall()[0][
            0
        ]  # to its end: the connection is free again
        for name in ("temp_directory", "memory_limit")
    )
    amount, unit = str(limit).split()
    connection = connect(
        Path(folder),
        engine.model_copy(update={"memory_limit": f"{float(amount) / engine.workers:.2f}{unit}"}),
    )
    connection.execute("SET parquet_metadata_cache = true")
    return connection


def relation(
    con: duckdb.DuckDBPyConnection, table: str, params: Mapping[str, Any]
) -> duckdb.DuckDBPyRelation:
    """Return sql/<table>.sql as a relation, which runs each time it is read."""
    wanted = {name: params[name] for name in parameters(table)}
    return con.sql(sql_text(table), params=wanted) if wanted else con.sql(sql_text(table))


def build(
    con: duckdb.DuckDBPyConnection, table: str, params: Mapping[str, Any], *, into: str | None = None
) -> None:
    """Run sql/<table>.sql and keep the rows as the table `into` (default: `table`), replacing it.

    `params` may hold more names than the query takes; a missing one is a KeyError.

    Parameters
    ----------
    con
        Where the table is kept.
    table
        Name of the query, sql/<table>.sql.
    params
        Values of its `$names`.
    into
        Name of the table, by default `table`.
    """
    name = into or table
    keep(con, relation(con, table, params), name)


def keep(con: duckdb.DuckDBPyConnection, rows: duckdb.DuckDBPyRelation, name: str) -> None:
    """Keep the rows of a relation as the table `name`, replacing it."""
    con.execute(f'DROP TABLE IF EXISTS "{name}"')
    rows.create(name)


def write(con: duckdb.DuckDBPyConnection, table: str, params: Mapping[str, Any], *, path: Path) -> None:
    """Run sql/<table>.sql and write its rows as the Parquet file `path`, in one step; they need not fit in memory.

    Parameters
    ----------
    con
        Where the query runs.
    table
        Name of the query, sql/<table>.sql.
    params
        Values of its `$names`.
    path
        The Parquet file.
    """
    rows = relation(con, table, params)
    with replacing(path, is_synced=False) as part:
        rows.write_parquet(str(part), compression="zstd", row_group_size=_GROUP_ROWS)


def query(con: duckdb.DuckDBPyConnection, table: str, params: Mapping[str, Any]) -> pl.DataFrame:
    """Run sql/<table>.sql and return its rows."""
    frame: pl.DataFrame = relation(con, table, params).pl()
    return frame
