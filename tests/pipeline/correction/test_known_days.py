"""Days that an earlier run found stand, until somebody worked at the home or the lake reaches further back."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from corrected_home import START, episode

from pipeline.correction.history import BY_CHANGE, BY_FIRST_DAY, NOT_SEEN
from pipeline.correction.known_days import begun_before, split_known, whole_days
from pipeline.correction.layout import BY_DATA, SUSPECTED
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import Registers, read_registers

FIRST = START.date() - timedelta(days=100)
SAMPLE = Path(__file__).parents[3] / "sample_lake"
TONIGHT = episode("reversed", "l1", basis=SUSPECTED)


@pytest.fixture(scope="module")
def registers() -> Registers:
    known = read_registers(open_lake(SAMPLE), date(2026, 6, 14))
    return replace(known, visits=known.visits.clear())


def dated(**values: object) -> pl.DataFrame:
    found = {"from_on": date(2026, 4, 3), "from_basis": BY_CHANGE, "known_from": FIRST, **values}
    return TONIGHT.with_columns(pl.lit(value).alias(name) for name, value in found.items())


def split(registers: Registers, earlier: pl.DataFrame | None, first: date = FIRST) -> tuple[int, int]:
    known, new = split_known(TONIGHT, earlier, registers, first_day=first)
    return known.height, new.height


def test_the_first_run_dates_all(registers: Registers) -> None:
    assert split(registers, None) == (0, 1)


def test_a_dated_episode_keeps_its_days(registers: Registers) -> None:
    known, new = split_known(TONIGHT, dated(), registers, first_day=FIRST)
    assert new.is_empty()
    assert known["from_on"].to_list() == [date(2026, 4, 3)]
    assert known["from_basis"].to_list() == [BY_CHANGE]


def test_another_fault_is_new(registers: Registers) -> None:
    assert split(registers, dated(fault="dead")) == (0, 1)
    assert split(registers, dated(why_not="less likely than the 80 % asked for")) == (0, 1)


def test_what_the_days_did_not_show_is_not_looked_for_again(registers: Registers) -> None:
    known, new = split_known(TONIGHT, dated(why_not=NOT_SEEN, from_basis=None), registers, first_day=FIRST)
    assert (known["why_not"].to_list(), new.height) == ([NOT_SEEN], 0)


def test_work_at_the_home_since_asks_again(registers: Registers) -> None:
    visit = {
        "visit_id": "V1",
        "site_id": "H1",
        "visited_on": date(2026, 5, 1),
        "found": "sound",
        "fixed": False,
    }
    visits = pl.DataFrame([visit], schema=registers.visits.schema)
    assert split(replace(registers, visits=visits), dated()) == (0, 1)
    before = visits.with_columns(visited_on=pl.lit(date(2026, 3, 1)))
    assert split(replace(registers, visits=before), dated()) == (1, 0)


def test_a_lake_that_reaches_further_back_asks_again(registers: Registers) -> None:
    from_first = dated(from_basis=BY_FIRST_DAY)
    assert split(registers, from_first) == (1, 0)
    assert split(registers, from_first, FIRST - timedelta(days=30)) == (0, 1)
    assert split(registers, dated(), FIRST - timedelta(days=30)) == (1, 0)


def test_days_on_which_the_readings_changed_are_left_out() -> None:
    over = dated(to_on=date(2026, 4, 20), ended_by=BY_DATA)
    assert whole_days(over).select("from_on", "to_on").row(0) == (date(2026, 4, 4), date(2026, 4, 19))
    visit = dated(from_basis=BY_FIRST_DAY, to_on=date(2026, 4, 20), ended_by="visit")
    assert whole_days(visit).select("from_on", "to_on").row(0) == (date(2026, 4, 3), date(2026, 4, 20))
    assert whole_days(dated(to_on=date(2026, 4, 3), ended_by="visit")).is_empty()


def test_a_fault_that_went_away_began_where_it_was_found_to_though_fewer_days_are_at_hand() -> None:
    over = dated(from_on=date(2026, 5, 10), from_basis=BY_FIRST_DAY, to_on=date(2026, 6, 2), ended_by=BY_DATA)
    kept = begun_before(over, dated()).row(0, named=True)
    assert (kept["from_on"], kept["from_basis"], kept["to_on"]) == (
        date(2026, 4, 3),
        BY_CHANGE,
        date(2026, 6, 2),
    )
    for other in (None, dated(fault="dead"), dated(from_on=date(2026, 5, 20)), dated(why_not=NOT_SEEN)):
        assert begun_before(over, other).equals(over)
