"""Simulated mornings: files come when their source brings them, no false alarm, each failure found on its morning."""

from __future__ import annotations

import contextlib
import os
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.commands import cli
from pipeline.core import clock
from pipeline.core.alarm import ALARM, EXIT_STATUS
from pipeline.core.settings import load_settings
from pipeline.evaluation.mornings.sources import AREA, CUT, HALF_FLEET, NOTHING, REST, SOURCES, spoil
from pipeline.evaluation.mornings.study import (
    Fleet,
    Morning,
    MorningsRequest,
    failing_mornings,
    live_mornings,
    morning_of,
    simulate_fleet,
    summary,
)
from pipeline.nightly import run as night
from pipeline.nightly.night_inputs import NightRequest

REQUEST = MorningsRequest(12, history=9, sites=30, last=date(2026, 3, 14))


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    return simulate_fleet(REQUEST, tmp_path_factory.mktemp("mornings") / "fleet")


def run_plainly(lake: Path, out: Path) -> int:
    """A night without its pages: its alarms are what is looked at."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night, "draw_report", lambda *given: None)
        result = night.run_night(NightRequest(lake, out), load_settings())
    return EXIT_STATUS if ALARM in result.alarm["severity"] else 0


def test_mornings_are_half_past_three_in_denver_summer_and_winter() -> None:
    assert [morning_of(date(2026, 3, day)).hour for day in (7, 9)] == [10, 9]


def test_failures_are_spread_over_the_mornings_after_a_few_good_ones() -> None:
    source = SOURCES["half days"]
    failing = failing_mornings(MorningsRequest(60), source)

    assert list(failing.values()) == [NOTHING, HALF_FLEET, AREA, CUT, REST]
    assert min(failing) > 2
    assert max(failing) < 60
    assert failing_mornings(MorningsRequest(60, failures=False), source) == {}
    assert REST not in failing_mornings(MorningsRequest(60), SOURCES["daily"]).values()


@pytest.mark.parametrize("name", SOURCES)
def test_the_parts_of_a_source_are_the_day_once_and_a_failure_takes_its_share(
    fleet: Fleet, name: str
) -> None:
    source, day = SOURCES[name], fleet.days[date(2026, 3, 10)]
    parts = source.parts(fleet.areas)

    assert pl.concat([part.rows(day) for part in parts]).sort(pl.all()).equals(day.sort(pl.all()))
    left = {
        failure: pl.concat([spoil(part.rows(day), part, failure, source=source, areas=fleet.areas) for part in parts])
        for failure in source.failures() if failure != NOTHING
    }  # fmt: skip
    assert left[HALF_FLEET]["site_id"].n_unique() == 15
    assert set(left[AREA]["area"]) == set(fleet.areas[1:])
    assert left[CUT]["interval_start"].dt.hour().max() == (5 if name == "half days" else 11)
    assert 0 < left.get(REST, day.head(1)).height < day.height


def test_files_come_at_their_times_and_the_clock_is_put_back(fleet: Fleet, tmp_path: Path) -> None:
    before, seen = clock.utc_now, []

    def look(lake: Path, out: Path) -> int:
        newest = max(lake.glob("intervals/*/*"), key=lambda path: path.parent.name)
        seen.append((newest.parent.name, clock.utc_now().timestamp() - os.path.getmtime(newest)))
        (out / "latest").mkdir(parents=True, exist_ok=True)
        (out / "latest" / "run.json").write_text('{"alarms": [{"code": "x"}]}', encoding="utf-8")
        return 3

    request = MorningsRequest(12, history=9, sites=30, last=date(2026, 3, 14), failures=False)
    lived = live_mornings(request, SOURCES["a day late"], fleet, folder=tmp_path, run_night=look)

    days = [date(2026, 3, 3) + timedelta(days=number) for number in range(12)]
    assert [name for name, _ in seen] == [f"date={day - timedelta(days=2)}" for day in days]
    assert all(1 < age / 3600 < 3 for _, age in seen)
    assert [one.day for one in lived] == days
    assert all(one.is_false and one.codes == ("x",) for one in lived)
    assert clock.utc_now is before


def test_the_table_counts_what_was_false_and_what_was_found() -> None:
    day = date(2026, 3, 3)
    lived = [
        Morning(day, "", (), 0), Morning(day, "", ("stale",), 3), Morning(day, AREA, ("area_silent",), 3),
        Morning(day, CUT, (), 0),
    ]  # fmt: skip

    assert summary({("daily", "command"): lived}).rows() == [("daily", "command", 4, 1, 2, 1)]


def test_an_area_that_is_always_late_hides_nothing_and_raises_nothing(fleet: Fleet, tmp_path: Path) -> None:
    lived = live_mornings(REQUEST, SOURCES["an area late"], fleet, folder=tmp_path, run_night=run_plainly)

    assert [one for one in lived if one.is_false] == []
    assert {one.failure: one.codes for one in lived if one.failure} == {
        # one area isn't due by this hour: one of the other two is half of what is
        NOTHING: ("stale", "area_silent"), HALF_FLEET: ("fleet_silent",), AREA: ("fleet_silent",),
        CUT: ("cut_short",), REST: ("overdue",),
    }  # fmt: skip


@pytest.mark.heavy
@pytest.mark.parametrize("name", ["half days", "a day late"])
def test_no_source_raises_a_false_alarm_and_each_failure_is_found_on_its_morning(
    fleet: Fleet, tmp_path: Path, name: str
) -> None:
    lived = live_mornings(REQUEST, SOURCES[name], fleet, folder=tmp_path, run_night=run_plainly)

    assert [one for one in lived if one.is_false or (one.failure and not one.is_found)] == []


@pytest.mark.heavy
def test_the_command_prints_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    with contextlib.suppress(SystemExit):
        cli.main(["mornings", "--mornings", "12", "--sites", "30", "--source", "batches"])

    told = capsys.readouterr().out
    (row,) = [line for line in told.splitlines() if "batches" in line and "command" in line]
    assert [cell.strip() for cell in row.strip("│ ").split("│")] == [
        "batches",
        "command",
        "12",
        "0",
        "4",
        "4",
    ]


def test_a_source_that_there_is_none_of_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main(["mornings", "--source", "weekly"])

    assert left.value.code == 2
    assert "--source weekly: choose of daily, a day late" in capsys.readouterr().err
