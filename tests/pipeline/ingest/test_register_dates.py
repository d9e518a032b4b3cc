"""A date that no fleet has is a slip of the pen: in every register its row is rejected, and no night stops."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import dataframely as dy
import pytest
from lakes import build_lake, put, rows

from pipeline.core.contract import FIRST_DATE, LAST_DATE, TABLES
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.dispatch.gone_days import LONGEST_AHEAD, refuse_gone_first_day
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night

GOOD = {
    "site_id": "a", "crew_id": "c1", "visit_id": "v9", "usage_point": "u9", "visited_on": "2025-06-01",
    "called_on": "2025-06-01", "trained_on": "2025-05-01",
}  # fmt: skip
AS_OF = date(2025, 6, 30)


def dated() -> Iterator[tuple[str, str, str]]:
    for table, schema in TABLES.items():
        for name, column in schema.columns().items():
            if isinstance(column, dy.Date):
                yield from (
                    (table, name, day) for day in ("0001-01-01", "1969-12-31", "2101-01-01", "9999-12-31")
                )


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    put(root, "1.parquet", rows("a"))
    return root


@pytest.mark.parametrize(("table", "name", "day"), list(dated()))
def test_the_row_is_rejected_with_its_reason(lake: Path, table: str, name: str, day: str) -> None:
    path = lake / f"{table}.csv"
    before = path.read_text(encoding="utf-8").splitlines() if table == "sites" else []
    columns = before[0].split(",") if before else TABLES[table].column_names()
    row = GOOD | {name: day} | ({"site_id": "zz"} if before else {})  # the lake's own homes stay
    lines = before or [",".join(columns)]
    path.write_text(
        "\n".join([*lines, ",".join(row.get(column, "") for column in columns)]) + "\n", encoding="utf-8"
    )
    reasons = read_registers(open_lake(lake), AS_OF).rejects["reason"].to_list()
    assert reasons == [f"{name}: {day} is outside {FIRST_DATE} to {LAST_DATE}"]


def test_a_night_goes_on_beside_such_rows(lake: Path, tmp_path: Path) -> None:
    (lake / "trainings.csv").write_text("crew_id,trained_on,topic\nc1,0001-01-01,dead\nc1,9999-12-31,dead\n")
    result = run_night(NightRequest(lake, tmp_path / "out"), load_settings())
    assert result.counts["register_rows_rejected"] == 2


@pytest.mark.parametrize(
    ("request_of", "complaint"),
    [
        ({"window_days": 99_999_999}, r"--window-days 99999999: choose 1 to 36500"),
        ({"window_days": 0}, r"--window-days 0: choose 1 to 36500"),
        ({"as_of": date(1, 1, 1)}, r"--as-of 0001-01-01: no fleet is that old"),
    ],
)  # fmt: skip
def test_options_that_no_fleet_has_are_one_line(
    lake: Path, tmp_path: Path, request_of: dict[str, object], complaint: str
) -> None:
    with pytest.raises(InputError, match=complaint):
        run_night(NightRequest(lake, tmp_path / "out", **request_of), load_settings())  # type: ignore[arg-type]


def test_a_day_of_a_partition_that_no_fleet_has_is_not_read(lake: Path) -> None:
    days = open_lake(lake).days()
    put(lake, "1.parquet", rows("a"), date(1, 1, 1))
    assert open_lake(lake).days() == days


def test_no_plan_is_made_for_a_day_beyond_a_year() -> None:
    refuse_gone_first_day(AS_OF + LONGEST_AHEAD, AS_OF)
    with pytest.raises(InputError, match="more than a year after the list"):
        refuse_gone_first_day(date(9999, 12, 31), AS_OF)
