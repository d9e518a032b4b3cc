"""Since when, and until when, a fault is in a home's data."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from fault_history import END, FIXED, ONSET, START, FaultHistory, build_history, day, episodes
from scored_homes import unseen_fleet

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.correction import history
from pipeline.correction.history import extend
from pipeline.correction.layout import BY_DATA
from pipeline.correction.yardstick import Yardstick
from pipeline.evaluation.validation.nights import store_lake
from pipeline.scoring.model import Model
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory, model: Model) -> FaultHistory:
    return build_history(tmp_path_factory.mktemp("history"), model)


def extended(known: FaultHistory, *rows: dict[str, object], files: list[Path] | None = None) -> pl.DataFrame:
    return extend(
        known.con,
        episodes(*rows),
        known.files if files is None else files,
        registers=known.registers,
        yardstick=known.yardstick,
    )


def visited(known: FaultHistory, home: str, on: int, *, found: str, fixed: bool) -> FaultHistory:
    visit = {"visit_id": "V1", "site_id": home, "visited_on": day(on), "found": found, "fixed": fixed}
    empty = known.registers.visits.clear()
    visits = pl.concat([empty, pl.DataFrame([visit]).select(visit.keys())], how="diagonal_relaxed")
    return replace(known, registers=replace(known.registers, visits=visits))


def test_a_fault_begins_on_the_day_of_the_change_and_lasts(known: FaultHistory) -> None:
    found = extended(known, {"site_id": "H00000", "fault": "reversed", "leg": "l1"})

    assert abs((found["from_on"][0] - day(ONSET)).days) <= 1
    assert found.select("to_on", "ended_by", "why_not").row(0) == (None, None, None)
    assert found["from_basis"][0] == history.BY_CHANGE
    assert found["known_from"][0] == START


def test_a_fault_that_is_over_ends_where_the_data_are_right_again(known: FaultHistory) -> None:
    found = extended(known, {"site_id": "H00001", "fault": "dead", "leg": "l2"})

    assert abs((found["from_on"][0] - day(ONSET)).days) <= 1
    assert abs((found["to_on"][0] - day(FIXED)).days) <= 1
    assert found["ended_by"][0] == BY_DATA


def test_a_fault_from_the_start_reaches_to_the_first_day_of_data(known: FaultHistory) -> None:
    found = extended(known, {"site_id": "H00002", "fault": "legs_crossed", "leg": "both"})

    assert found.select("from_on", "to_on", "from_basis").row(0) == (START, None, history.BY_FIRST_DAY)


@pytest.mark.parametrize(
    ("home", "fault", "leg"), [("H00003", "reversed", "l1"), ("H00000", "reversed", "l2")]
)
def test_what_the_data_do_not_show_is_not_dated(known: FaultHistory, home: str, fault: str, leg: str) -> None:
    found = extended(known, {"site_id": home, "fault": fault, "leg": leg, "from_on": day(3)})

    assert found.select("from_on", "why_not", "from_basis").row(0) == (day(3), history.NOT_SEEN, None)


def test_a_home_without_data_is_not_dated(known: FaultHistory) -> None:
    row = {"site_id": "H00002", "fault": "legs_crossed", "leg": "both", "to_on": START - timedelta(days=1)}

    assert extended(known, row)["why_not"][0] == history.NO_DATA
    assert extended(known, row, files=[])["why_not"][0] == history.NO_DATA


def test_no_episode_reaches_across_work_that_left_no_fault(known: FaultHistory) -> None:
    row = {"site_id": "H00002", "fault": "legs_crossed", "leg": "both"}
    fixed = visited(known, "H00002", 20, found="legs_crossed", fixed=True)
    left = visited(known, "H00002", 20, found="legs_crossed", fixed=False)

    after = extended(fixed, row)
    before = extended(fixed, row | {"to_on": day(19)})

    assert after.select("from_on", "from_basis").row(0) == (day(21), history.BY_WORK)
    assert before.select("from_on", "to_on").row(0) == (START, day(19))
    assert extended(left, row)["from_on"][0] == START


def test_no_episode_reaches_before_the_commissioning(known: FaultHistory) -> None:
    sites = known.registers.sites.with_columns(commissioned_on=pl.lit(day(9)))
    later = replace(known, registers=replace(known.registers, sites=sites))

    found = extended(later, {"site_id": "H00002", "fault": "legs_crossed", "leg": "both"})

    assert found.select("from_on", "from_basis").row(0) == (day(9), history.BY_COMMISSIONING)


def test_days_without_rows_are_bridged_inside_and_left_out_at_the_edge(known: FaultHistory) -> None:
    row = {"site_id": "H00002", "fault": "legs_crossed", "leg": "both"}
    inside = [file for number, file in enumerate(known.files) if not 20 <= number < 33]
    edge = [file for number, file in enumerate(known.files) if number >= 12]

    assert extended(known, row, files=inside)["from_on"][0] == START
    assert extended(known, row, files=edge)["from_on"][0] == day(12)
    assert day(len(known.files) - 1) == END


def test_no_episode_is_none(known: FaultHistory) -> None:
    assert extended(known).is_empty()


@pytest.mark.heavy
def test_over_a_fleet_days_before_the_fault_are_hardly_ever_taken_for_faulty(
    tmp_path: Path, model: Model
) -> None:
    """What corrections must not do is to put right days right; beginnings missed by a day or two cost little."""
    settings = load_settings()
    write_lake(
        FleetSpec(60, days=60, minutes=30, seed=17, fault_share=0.9, onset_share=1.0, hard_share=0.0),
        tmp_path / "lake",
    )
    stored = store_lake(tmp_path / "lake", tmp_path / "work", settings)
    begun = stored.truth.filter(pl.col("onset_on").is_not_null())
    table = episodes(*begun.select("site_id", "fault", "leg").iter_rows(named=True))

    found = extend(
        sql_runner.connect(tmp_path, settings.engine),
        table,
        [path for of_day in stored.files for path in of_day],
        registers=stored.registers,
        yardstick=Yardstick(model, unseen_fleet(model), stored.registers.sites, settings),
    )

    late = (found["from_on"] - begun["onset_on"]).dt.total_days().filter(found["from_basis"].is_not_null())
    assert late.len() > 0.8 * begun.height > 25
    assert (late.abs() <= 3).mean() > 0.9
    assert -late.clip(None, 0).sum() <= 1
