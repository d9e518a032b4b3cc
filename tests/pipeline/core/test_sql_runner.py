"""One file of sql/ is one table; parameters are found in the text and given by name."""

from __future__ import annotations

import math
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    return sql_runner.connect(tmp_path, load_settings().engine)


def test_parameters_are_those_of_the_query_and_not_of_its_comments(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        sql_runner, "sql_text", lambda table: "-- costs $nothing\nSELECT $low AS low, $high_w AS high -- $not"
    )

    assert sql_runner.parameters("any") == {"low", "high_w"}


def test_a_table_is_built_and_replaced(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sql_runner, "sql_text", lambda table: "SELECT $value AS value")

    sql_runner.build(con, "one", {"value": 1, "unused": 9})
    sql_runner.build(con, "one", {"value": 2})
    sql_runner.build(con, "one", {"value": 3}, into="other")

    assert con.table("one").fetchall() == [(2,)]
    assert con.table("other").fetchall() == [(3,)]
    assert sql_runner.query(con, "one", {"value": 4}).to_dicts() == [{"value": 4}]


def test_a_missing_parameter_is_named(con: duckdb.DuckDBPyConnection) -> None:
    with pytest.raises(KeyError, match="day_files"):
        sql_runner.query(con, "site_day_moved", {})


def test_the_database_keeps_to_itself(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    engine = load_settings().engine
    told = con.sql(
        "SELECT current_setting('threads'), current_setting('temp_directory'), current_setting('TimeZone')"
    ).fetchall()

    assert told == [(engine.threads, str(tmp_path), "UTC")]
    assert con.sql("SELECT current_setting('autoinstall_known_extensions')").fetchall() == [(False,)]


def test_nan_of_a_constant_is_null(con: duckdb.DuckDBPyConnection) -> None:
    """DuckDB's corr gives NaN on a constant, and NaN would win every comparison after that."""
    con.register("t", pl.DataFrame({"x": [1.0, 1.0, 1.0], "y": [1.0, 2.0, 3.0]}).to_arrow())

    ((plain, mapped, above),) = con.sql(
        "SELECT corr(x, y), finite(corr(x, y)), finite('inf'::DOUBLE) FROM t"
    ).fetchall()
    assert math.isnan(plain)
    assert (mapped, above) == (None, None)


def test_correlation_from_sums(con: duckdb.DuckDBPyConnection) -> None:
    # x = 1, 2, 3 and y = 2, 4, 7: covariance 5 / 3, variances 2 / 3 and 38 / 9
    ((found, constant, nobody),) = con.sql(
        "SELECT correlation(3, 6, 13, 14, 69, 31), correlation(3, 6, 3, 14, 3, 6),"
        " correlation(0, NULL, NULL, NULL, NULL, NULL)"
    ).fetchall()
    assert found == pytest.approx(5 / math.sqrt(2 * 38 / 3))
    assert (constant, nobody) == (None, None)


@pytest.mark.parametrize(
    ("xx", "yy", "xy", "slope"), [(1.0, 4.0, 2.0, 2.0), (4.0, 1.0, -2.0, -0.5), (1.0, 0.0, 0.0, None)]
)
def test_orthogonal_slope(
    con: duckdb.DuckDBPyConnection, xx: float, yy: float, xy: float, slope: float | None
) -> None:
    found = con.execute("SELECT orthogonal_slope($xx, $yy, $xy)", {"xx": xx, "yy": yy, "xy": xy}).fetchone()[
        0
    ]

    assert found == (None if slope is None else pytest.approx(slope))
