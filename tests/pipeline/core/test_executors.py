"""A few pieces at once: each with a database of its own, answers in order, and the first failure is the caller's."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from threading import Barrier

import duckdb
import pytest

from pipeline.core import sql_runner
from pipeline.core.executors import ThreadExecutor
from pipeline.core.settings import load_settings

ENGINE = load_settings().engine.model_copy(update={"workers": 3})


@pytest.fixture
def con(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with sql_runner.connect(tmp_path, ENGINE) as opened:
        yield opened


def test_pieces_are_at_work_together_each_with_a_database_of_its_own_and_answers_in_order(
    con: duckdb.DuckDBPyConnection,
) -> None:
    together = Barrier(3, timeout=30)
    used: set[int] = set()

    def work(own: duckdb.DuckDBPyConnection, piece: int) -> int:
        together.wait()
        used.add(id(own))
        time.sleep(0.01 * (piece % 3))
        own.execute(f"CREATE OR REPLACE TABLE here AS SELECT {piece} AS n")
        return own.table("here").fetchall()[0][0]

    assert ThreadExecutor(con, ENGINE)("double", work, range(6)) == [0, 1, 2, 3, 4, 5]
    assert len(used) == 3
    assert id(con) not in used
    assert con.sql("SHOW TABLES").fetchall() == []


def test_a_single_piece_is_worked_on_with_the_callers_database(con: duckdb.DuckDBPyConnection) -> None:
    assert ThreadExecutor(con, ENGINE)("look", lambda own, piece: own is con, ["one"]) == [True]


def test_the_first_failure_stops_what_has_not_begun(con: duckdb.DuckDBPyConnection) -> None:
    begun: list[int] = []

    def work(own: duckdb.DuckDBPyConnection, piece: int) -> None:
        begun.append(piece)
        if piece == 0:
            raise ValueError("piece 0")
        time.sleep(0.2)

    with pytest.raises(ValueError, match="piece 0"):
        ThreadExecutor(con, ENGINE)("fail", work, range(60))
    assert len(begun) < 30
