"""Nights on lakes that are fed in their own way: what is usually late is awaited, what is lost is said at once."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.core import clock
from pipeline.core.settings import load_settings
from pipeline.nightly import run as night
from pipeline.nightly.arrival_times import end_of
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

LAST = date(2026, 6, 14)
DAYS = 9
COPIED = datetime(2026, 6, 12, 12, tzinfo=UTC)
HALVES = {"first": 2.0, "rest": 14.0}


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirty homes over nine days, a file a day."""
    folder = tmp_path_factory.mktemp("fleet") / "lake"
    write_lake(FleetSpec(30, DAYS, 60, 5, end=LAST, areas=3, hard_share=0.0, onset_share=0.0), folder)
    return folder


class FedLake:
    """A lake that is fed with the fleet's days: in halves, or whole at two hours (`parts`)."""

    def __init__(
        self, fleet: Path, folder: Path, patch: pytest.MonkeyPatch, parts: Mapping[str, float]
    ) -> None:
        self.fleet, self.folder, self.patch, self.parts = fleet, folder / "lake", patch, parts
        (self.folder / "intervals").mkdir(parents=True)
        for register in fleet.glob("*.csv"):
            (self.folder / register.name).write_bytes(register.read_bytes())

    def feed(
        self, until: datetime, *, but: pl.Expr | None = None, without: str = "", copied: bool = False
    ) -> None:
        """Put what has come by a time; of its last day without the rows `but` and the part `without`."""
        for back in range(DAYS):
            day = LAST - timedelta(days=back)
            rows = pl.read_parquet(self.fleet / f"intervals/date={day}/*.parquet")
            for part, lag_h in self.parts.items():
                path = self.folder / f"intervals/date={day}/{part}.parquet"
                at = end_of(day) + timedelta(hours=lag_h)
                is_last = until - end_of(day) < timedelta(days=1)
                if at > until or path.exists() or (is_last and part == without):
                    continue
                is_late = pl.col("interval_start").dt.hour() >= 12
                kept = rows if part == "all" else rows.filter(is_late if part == "rest" else ~is_late)
                path.parent.mkdir(exist_ok=True)
                (kept.filter(~but) if is_last and but is not None else kept).write_parquet(path)
                os.utime(path, ((COPIED if copied else at).timestamp(),) * 2)

    def night(self, at: datetime) -> dict[str, Any]:
        """Run a night at a time, without its pages; return run.json."""
        with self.patch.context() as patch:
            patch.setattr(clock, "utc_now", lambda: at)
            patch.setattr(night, "draw_report", lambda *given: None)
            result = run_night(NightRequest(self.folder, self.folder.parent / "out"), load_settings())
        run: dict[str, Any] = json.loads((result.folder / "run.json").read_text(encoding="utf-8"))
        assert [line["code"] for line in run["alarms"]] == result.alarm.filter(severity="alarm")[
            "code"
        ].to_list()
        return run


def morning(day: int) -> datetime:
    return datetime(2026, 6, day, 9, 30, tzinfo=UTC)


def codes(run: Mapping[str, Any], kind: str = "alarms") -> list[str]:
    return [line["code"] for line in run[kind]]


ODD_HOMES = pl.col("site_id").str.slice(-1).cast(pl.Int32) % 2 == 1


def test_half_the_fleet_is_missed_on_a_first_night_where_days_came_whole(
    fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lake = FedLake(fleet, tmp_path, monkeypatch, {"all": 2.0})
    lake.feed(morning(14), but=ODD_HOMES)

    assert codes(lake.night(morning(14))) == ["fleet_silent"]


def test_half_a_day_at_a_time_is_known_from_the_files_on_a_first_night_and_a_day_that_stays_half_is_told_once(
    fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lake = FedLake(fleet, tmp_path, monkeypatch, HALVES)
    lake.feed(morning(13))

    run = lake.night(morning(13))
    assert (run["as_of"], codes(run)) == ("2026-06-12", [])
    assert "late_as_usual" in codes(run, "notes")
    assert run["freshness"]["awaited"] == ["2026-06-12"]
    arrival = pl.read_parquet(tmp_path / "out/latest/arrival.parquet")
    assert set(arrival.filter(pl.col("day") == date(2026, 6, 12))["covered_min"]) <= {720.0, 660.0, 600.0}

    lake.feed(morning(14), without="rest")
    lost = lake.folder / "intervals/date=2026-06-12/rest.parquet"
    lost.unlink()
    run = lake.night(morning(14))
    assert (codes(run), run["freshness"]["awaited"]) == (["overdue"], ["2026-06-13"])
    assert run["alarms"][0]["told"].startswith(
        "2026-06-12 should be whole by now: 2026-06-12 is cut short: 30 of 30"
    )

    lake.feed(morning(15))
    lost.unlink(missing_ok=True)
    assert codes(lake.night(morning(15))) == []


def test_in_a_copied_lake_half_a_day_is_an_alarm_until_one_night_has_seen_the_rest_come(
    fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lake = FedLake(fleet, tmp_path, monkeypatch, HALVES)
    lake.feed(morning(13), copied=True)
    assert codes(lake.night(morning(13))) == ["cut_short"]

    lake.feed(morning(14))
    run = lake.night(morning(14))
    assert (codes(run), run["freshness"]["awaited"]) == ([], ["2026-06-13"])
    assert codes(lake.night(morning(14))) == []


def test_a_feed_that_is_dead_is_stale_on_that_morning_and_on_the_next(
    fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lake = FedLake(fleet, tmp_path, monkeypatch, {"all": 2.0})
    lake.feed(morning(13))

    assert codes(lake.night(morning(13))) == []
    runs = [lake.night(morning(14)), lake.night(morning(15))]

    assert [codes(run) for run in runs] == [["stale"]] * 2
    assert [run["freshness"]["verdict"] for run in runs] == ["stale"] * 2
    assert len(runs[1]["freshness"]["nights"]) == 3
    tables = pl.read_parquet(tmp_path / "out/latest/alarm.parquet")
    assert "stale" not in tables["code"].to_list()
