"""Safety calls come from a register of their own; rows that can't be are rejected with the reason."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest
from lakes import build_lake, put, rows

from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import Registers, read_registers

AS_OF = date(2025, 6, 30)


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    put(root, "1.parquet", rows("a"))
    return root


def read(lake: Path, calls: str) -> Registers:
    (lake / "safety_calls.csv").write_text(f"site_id,called_on,repaired_on,note\n{calls}", encoding="utf-8")
    return read_registers(open_lake(lake), AS_OF)


def test_calls_are_read_and_a_repair_is_a_day_after_which_data_start_anew(lake: Path) -> None:
    calls = read(lake, 'b,2025-06-02,,"line busy, again"\na,2025-06-01,2025-06-03,lug at the meter\n')
    assert calls.safety_calls.columns == ["site_id", "called_on", "repaired_on"]
    assert calls.safety_calls["site_id"].to_list() == ["a", "b"]
    assert calls.rejects.is_empty()
    work = calls.service_work().filter(pl.col("visited_on") == date(2025, 6, 3))
    assert work["site_id"].to_list() == ["a"]
    assert calls.service_work().height == calls.visits.height + 1


def test_without_the_register_there_are_no_calls(lake: Path) -> None:
    assert read_registers(open_lake(lake), AS_OF).safety_calls.is_empty()


def test_of_a_past_night_a_repair_is_still_to_come_and_a_call_after_it_is_not_known(lake: Path) -> None:
    read(lake, "a,2025-06-01,2025-07-02,\nb,2025-07-01,2025-07-02,\nb,2025-06-20,2025-07-20,\n")
    then = read_registers(open_lake(lake), AS_OF, today=date(2025, 7, 10))

    assert then.safety_calls.rows() == [("a", date(2025, 6, 1), None)]
    assert then.service_work().height == then.visits.height
    assert then.rejects.select("source_row", "reason").rows() == [
        (2, "called_on 2025-07-01 lies after the as-of day"),
        (3, "repaired_on 2025-07-20 lies after the as-of day"),
    ]


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("nowhere,2025-06-01,,", "unknown home: site_id is not in sites"),
        ("a,2025-07-01,,", "called_on 2025-07-01 lies after the as-of day"),
        ("a,2025-06-01,2025-07-02,", "repaired_on 2025-07-02 lies after the as-of day"),
        ("a,2025-06-05,2025-06-04,", "repaired_on 2025-06-04 lies before called_on 2025-06-05"),
        ("a,2020-06-05,,", "called_on 2020-06-05 lies before the home's commissioning"),
        ("a,,2025-06-04,", "called_on is missing"),
        ("a,soon,,", "called_on: 'soon' is not a date"),
    ],
)
def test_a_call_that_can_not_be_is_rejected_with_its_reason(lake: Path, row: str, reason: str) -> None:
    registers = read(lake, f"{row}\nb,2025-06-02,,\n")
    told = registers.rejects.select("source_file", "source_row", "reason").rows()
    assert told == [("safety_calls.csv", 1, reason)]
    assert registers.safety_calls["site_id"].to_list() == ["b"]
