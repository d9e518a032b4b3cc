"""A run's tables are written as Parquet, CSV and a database; no cell is a formula."""

from __future__ import annotations

import csv
from pathlib import Path

import duckdb
import polars as pl
import pytest
from lakes import DAY

from pipeline.storage.table_files import write_csv, write_tables


@pytest.mark.parametrize("workers", [1, 3])
def test_tables_are_written_three_ways_and_a_formula_is_defused(tmp_path: Path, workers: int) -> None:
    table = pl.DataFrame(
        {"site_id": ["a", "=1+1", "@x"], "likelihood": [0.123456, None, 1.0], "since": [DAY, None, DAY]}
    )

    write_tables(tmp_path, {"revisit_list": table, "standing": table}, ("revisit_list",), workers=workers)

    assert pl.read_parquet(tmp_path / "standing.parquet").equals(table)
    lines = (tmp_path / "revisit_list.csv").read_text().splitlines()
    assert lines == ["site_id,likelihood,since", "a,0.1235,2025-06-01", "'=1+1,,", "'@x,1.0000,2025-06-01"]
    assert not (tmp_path / "standing.csv").exists()
    con = duckdb.connect(str(tmp_path / "nightclamp.duckdb"), read_only=True)
    assert con.table("revisit_list").pl().equals(table)
    assert con.table("standing").pl().equals(table)
    assert len(con.sql("SHOW TABLES").fetchall()) == 2
    con.close()


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        (" =1+1", "' =1+1"),
        ("\t=1", "'\t'=1"),
        ("\ufeff\u200b@x", "'\ufeff\u200b@x"),
        ("\uff1d1+1", "'\uff1d1+1"),
        ("\ufe62x", "'\ufe62x"),
        ("a;=1+1", "a;'=1+1"),
        ("a; -x\n@y", "a; '-x\n'@y"),
        ("slope - 0.5; right is +", "slope - 0.5; right is +"),
        ("H-1", "H-1"),
        ("'=1", "'=1"),
        ("", ""),
    ],
)
def test_what_a_spreadsheet_would_run_is_text(tmp_path: Path, text: str, written: str) -> None:
    """Also after blanks and unseen marks, in full width, and where cells are parted by semicolons."""
    write_csv(pl.DataFrame({"note": [text], "l1_w": [-1.0]}), tmp_path / "x.csv")
    with (tmp_path / "x.csv").open(newline="", encoding="utf-8") as file:
        assert list(csv.reader(file)) == [["note", "l1_w"], [written, "-1.0000"]]
