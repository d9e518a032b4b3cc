"""Runs tests/sql/<table>/<case>.yaml: `given` rows of input tables, the rows that the query must then return.

why      what the case shows
params   $parameters that differ from the shipped settings
given    table -> rows; columns left out are null, typed as the pipeline types them
key      columns that put the result in order
within   how far a number may be off, 1e-9 if not said
expect   the rows, with the columns that matter
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import yaml
from day_oracle import select
from sql_tables import FROM_FILES, SETTINGS, TABLES, World, default_params

from pipeline.core import sql_runner

HERE = Path(__file__).parent
CASES = sorted(HERE.glob("*/*.yaml"))
PARTS = {"why", "params", "given", "key", "within", "expect"}
# The queries that decide something a person could check by hand.
BY_HAND = {
    "crew_month", "crew_position", "crew_ranking",
    "interval_checked", "interval_home_count", "interval_length", "interval_step",
    "interval_used", "ramp",
    "site_day_level", "site_day_meter", "site_day_moved", "site_day_ramp", "site_day_step", "site_feature",
    "site_signal", "site_window_fit",
}  # fmt: skip


def name_of(path: Path) -> str:
    return f"{path.parent.name}/{path.stem}"


@pytest.mark.parametrize("path", CASES, ids=name_of)
def test_case(path: Path, world: World, tmp_path: Path) -> None:
    case = yaml.safe_load(path.read_text(encoding="utf-8"))
    assert set(case) <= PARTS
    assert case["why"]
    table = path.parent.name
    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    params = {**default_params(date(2025, 6, 1)), **case.get("params", {})}
    for name, rows in case["given"].items():
        frame = typed(world, name, rows)
        if name in FROM_FILES and name != table:
            frame.write_parquet(tmp_path / f"{name}.parquet")
            params[FROM_FILES[name]] = [str(tmp_path / f"{name}.parquet")]
        else:
            con.register(name, frame.to_arrow())
    for bound in ("first_home", "before_home"):
        con.execute(f"SET VARIABLE {bound} = NULL")
    result = select(con, table, params).pl().sort(case["key"]).to_dicts()
    con.close()

    assert [row_key(row, case["key"]) for row in result] == [
        row_key(row, case["key"]) for row in case["expect"]
    ]
    for found, wanted in zip(result, case["expect"], strict=True):
        told = {column: found[column] for column in wanted}
        assert told == {c: close(value, case.get("within", 1e-9)) for c, value in wanted.items()}


def typed(world: World, table: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows with every column of the table as the pipeline makes it; a column it doesn't have is an error."""
    source = select(world.con, table, world.params) if table in TABLES else world.con.table(table)
    schema = source.limit(0).pl().schema
    assert {column for row in rows for column in row} <= set(schema)
    frame = pl.DataFrame({name: [row.get(name) for row in rows] for name in schema}, strict=False)
    return frame.cast(dict(schema))


def row_key(row: dict[str, Any], key: list[str]) -> tuple[Any, ...]:
    return tuple(row[column] for column in key)


def close(value: Any, within: float) -> Any:
    return pytest.approx(value, rel=0, abs=within) if type(value) in (int, float) else value


def test_every_query_that_decides_has_at_least_two_cases() -> None:
    counts = {table: sum(path.parent.name == table for path in CASES) for table in BY_HAND}

    assert {path.parent.name for path in CASES} <= set(TABLES)
    assert {table: count for table, count in counts.items() if count < 2} == {}
