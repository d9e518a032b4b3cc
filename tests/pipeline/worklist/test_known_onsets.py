"""The day on which a fault began stays when the days before it leave the window or the lake."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.core.contract import Visit
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.score_homes import Scored
from pipeline.worklist.known_onsets import keep_onsets

NIGHT = date(2026, 6, 30)
BEGAN = date(2026, 6, 10)
SUSPECT = 0.5
NO_VISITS = pl.DataFrame(schema=pl.Schema(Visit))
CHANGE = {"changed_on": BEGAN, "change_z": 9.0, "change_of": "zero_l1", "change_told": "L1 at zero"}


def days(before: int) -> list[date]:
    """The lake's days with so many before BEGAN."""
    first = BEGAN - timedelta(days=before)
    return [first + timedelta(days=number) for number in range((NIGHT - first).days + 1)]


def scored(change: dict[str, Any] | None = None, likelihood: float = 0.9) -> Scored:
    change = change or dict.fromkeys(CHANGE)
    is_onset = likelihood >= SUSPECT
    scores = pl.DataFrame(
        {
            "site_id": ["A"], "likelihood": [likelihood], "suspected_fault": ["dead" if likelihood > 0.1 else None],
            "onset_on": [change["changed_on"] if is_onset else None],
            "onset_evidence": [change["change_told"] if is_onset else None],
        },
        schema_overrides={"onset_on": pl.Date, "onset_evidence": pl.String, "suspected_fault": pl.String},
    )  # fmt: skip
    signals = pl.DataFrame(
        [{"site_id": "A", **change}],
        schema={
            "site_id": pl.String, "changed_on": pl.Date, "change_z": pl.Float64, "change_of": pl.String,
            "change_told": pl.String,
        },
    )  # fmt: skip
    return Scored(scores, signals, FleetNormal({}, 0.1, {}, pl.DataFrame()))


@pytest.fixture
def previous(tmp_path: Path) -> Path:
    """A run of the night before, which found the change."""
    keep(tmp_path, scored(CHANGE))
    return tmp_path


def keep(folder: Path, night: Scored) -> None:
    night.scores.write_parquet(folder / "site_scores.parquet")
    night.signals.write_parquet(folder / "site_signal.parquet")


def onset(night: Scored) -> tuple[Any, ...]:
    return (*night.scores.select("onset_on", "onset_evidence").row(0), *night.signals["changed_on"])


def kept(
    previous: Path | None, tonight: Scored, visits: pl.DataFrame = NO_VISITS, before: int = 3
) -> tuple[Any, ...]:
    night = keep_onsets(tonight, previous, visits, days=days(before), suspect=SUSPECT)
    assert (night.scores.columns, night.signals.columns) == (tonight.scores.columns, tonight.signals.columns)
    return onset(night)


def visit(on: date, found: str, *, fixed: bool) -> pl.DataFrame:
    return pl.DataFrame(
        [{"visit_id": "V1", "site_id": "A", "visited_on": on, "found": found, "fixed": fixed}],
        schema=pl.Schema(Visit),
    )


@pytest.mark.parametrize("before", [0, 3, 19])
def test_an_onset_stays_when_fewer_days_lie_before_than_after_it(previous: Path, before: int) -> None:
    assert kept(previous, scored(), before=before) == (BEGAN, "L1 at zero", BEGAN)


def test_with_more_days_before_than_after_it_the_data_speak_against_it(previous: Path) -> None:
    assert kept(previous, scored(), before=22) == (None, None, None)


def test_an_onset_that_tonight_finds_itself_counts(previous: Path) -> None:
    fresh = {**CHANGE, "changed_on": date(2026, 6, 20), "change_told": "L2 at zero"}

    assert kept(previous, scored(fresh)) == (date(2026, 6, 20), "L2 at zero", date(2026, 6, 20))


def test_a_home_that_is_not_suspected_any_more_begins_anew_but_one_in_doubt_keeps_its_change(
    previous: Path,
) -> None:
    assert kept(previous, scored(likelihood=0.01)) == (None, None, None)
    doubted = keep_onsets(scored(likelihood=0.3), previous, NO_VISITS, days=days(3), suspect=SUSPECT)
    assert onset(doubted) == (None, None, BEGAN)

    keep(previous, doubted)
    assert kept(previous, scored()) == (BEGAN, "L1 at zero", BEGAN)


@pytest.mark.parametrize(
    ("visits", "is_kept"),
    [
        pytest.param(visit(date(2026, 6, 20), "dead", fixed=True), False, id="fixed since"),
        pytest.param(visit(date(2026, 6, 20), "sound", fixed=False), False, id="found sound since"),
        pytest.param(visit(date(2026, 6, 20), "dead", fixed=False), True, id="left as it was"),
        pytest.param(visit(date(2026, 6, 1), "dead", fixed=True), True, id="before it began"),
    ],
)
def test_a_visit_since_that_left_nothing_undone_ends_it(
    previous: Path, visits: pl.DataFrame, is_kept: bool
) -> None:
    assert kept(previous, scored(), visits)[0] == (BEGAN if is_kept else None)


def test_a_first_night_and_one_after_an_older_version_have_what_they_find(tmp_path: Path) -> None:
    assert kept(None, scored()) == (None, None, None)
    scored(CHANGE).scores.write_parquet(tmp_path / "site_scores.parquet")
    pl.DataFrame({"site_id": ["A"]}).write_parquet(tmp_path / "site_signal.parquet")
    assert kept(tmp_path, scored()) == (None, None, None)
