"""A night judges the newest UTC day that is over; rows of the day still running speak, and raise no alarm."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from lakes import build_lake, put, rows

from pipeline.core import clock
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.features.day_update import DayWork
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import NightResult, run_night

FIRST = date(2025, 6, 1)
RUNNING = FIRST + timedelta(days=4)
JUDGED = RUNNING - timedelta(days=1)
MORNING = datetime(2025, 6, 5, 3, 30, tzinfo=ZoneInfo("America/Denver")).astimezone(UTC)  # 09:30 UTC


@pytest.fixture
def lake(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Four whole days and nine and a half hours of the fifth, at that hour."""
    monkeypatch.setattr(clock, "utc_now", lambda: MORNING)
    root = build_lake(tmp_path / "lake")
    for number in range(4):
        put(root, "all.parquet", whole_day(FIRST + timedelta(days=number)), FIRST + timedelta(days=number))
    so_far = whole_day(RUNNING).filter(pl.col("interval_start") < MORNING.replace(tzinfo=None))
    put(root, "all.parquet", so_far, RUNNING)
    return root


def whole_day(day: date) -> pl.DataFrame:
    return pl.concat([rows("a", day), rows("b", day)])


def night(lake: Path, as_of: date | None = None) -> tuple[NightResult, dict[str, object]]:
    result = run_night(NightRequest(lake, lake.parent / "out", as_of), load_settings())
    return result, json.loads((result.folder / "run.json").read_text())


def test_at_half_past_three_in_denver_the_day_before_is_judged_and_nothing_is_cut_short(lake: Path) -> None:
    result, run = night(lake)
    assert (result.as_of, run["running_day"], run["later_days_left_alone"]) == (JUDGED, str(RUNNING), [])
    assert "cut_short" not in result.alarm["code"].to_list()
    assert run["days"][str(RUNNING)]["used"] == run["days"][str(RUNNING)]["rows_in"] > 0


def test_rows_of_the_running_day_speak_for_their_homes(lake: Path) -> None:
    with_it = pl.read_parquet(night(lake)[0].folder / "site_signal.parquet")
    (lake / f"intervals/date={RUNNING}/all.parquet").unlink()
    without = pl.read_parquet(night(lake)[0].folder / "site_signal.parquet")
    assert (with_it["days"] - without["days"]).to_list() == [1, 1]
    for name in ("coverage_share", "l1_kwh_day"):  # nine and a half hours are no day with a gap
        assert with_it[name].to_list() == pytest.approx(without[name].to_list(), rel=0.05), name


def test_asked_for_by_name_yesterday_is_judged_alike_and_older_days_leave_the_running_one_alone(
    lake: Path,
) -> None:
    assert night(lake, JUDGED)[1]["running_day"] == str(RUNNING)
    run = night(lake, JUDGED - timedelta(days=1))[1]
    assert (run["running_day"], run["later_days_left_alone"]) == (None, [str(JUDGED), str(RUNNING)])


def test_a_day_that_is_not_over_is_not_judged(lake: Path) -> None:
    with pytest.raises(
        InputError, match=f"--as-of {RUNNING}: is not over yet in UTC; choose a day up to {JUDGED}"
    ):
        night(lake, RUNNING)


def test_the_next_night_judges_what_was_running_and_calls_none_of_it_late(
    lake: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    night(lake)
    put(lake, "all.parquet", whole_day(RUNNING), RUNNING)
    monkeypatch.setattr(clock, "utc_now", lambda: MORNING + timedelta(days=1))
    result, run = night(lake)
    assert (result.as_of, run["running_day"], run["late"]["days"]) == (RUNNING, None, {})


def test_files_of_the_running_day_that_keep_changing_stop_no_night(
    lake: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = DayWork._tried

    def written_meanwhile(self, states):
        for state in states:
            if state.day == RUNNING:
                with (lake / f"intervals/date={RUNNING}/more-{len(states)}.csv").open("a") as file:
                    file.write("\n")
        return tried(self, states)

    monkeypatch.setattr(DayWork, "_tried", written_meanwhile)
    result, run = night(lake)
    assert (result.as_of, run["running_day"]) == (JUDGED, None)
    assert str(RUNNING) not in run["days"]
