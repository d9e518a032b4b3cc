"""Which homes had which fault from when to when: by tonight's scores, and by what visits found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.core.contract import FAULTS
from pipeline.core.settings import load_settings
from pipeline.correction.episodes import CLOCK, RIGHT_READINGS, find_episodes
from pipeline.correction.layout import BY_SETTING, BY_VISIT, EPISODE, FOUND, SUSPECTED
from pipeline.faults.catalogue import CATALOGUE
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import Registers, read_registers

AS_OF, FIRST = date(2026, 6, 14), date(2026, 5, 18)
SAMPLE = Path(__file__).parents[3] / "sample_lake"
Find = Callable[..., pl.DataFrame]


@pytest.fixture(scope="module")
def registers() -> Registers:
    known = read_registers(open_lake(SAMPLE), AS_OF)
    return replace(known, visits=known.visits.clear())


@pytest.fixture
def find(tmp_path: Path, registers: Registers) -> Find:
    """The episodes of home H00004 by its scores and visits."""

    def episodes(
        shares: dict[str, float],
        visits: list[dict[str, object]] | None = None,
        since: date | None = None,
        **score: object,
    ) -> pl.DataFrame:
        row = {
            "site_id": "H00004", "likelihood": sum(shares.values()),
            "likely_fault": max(shares, key=shares.__getitem__, default="dead"),
            "likely_leg": "l1", "onset_on": None, "is_clock_suspect": False, "record_likelihood": 0.0,
            "fault_likelihoods": dict.fromkeys(FAULTS, 0.0) | shares, **score,
        }  # fmt: skip
        pl.DataFrame([row], schema_overrides={"onset_on": pl.Date}).write_parquet(
            tmp_path / "site_scores.parquet"
        )
        told = pl.DataFrame(visits or [], schema=registers.visits.schema)
        promise = told.select(
            "visit_id", since=pl.lit(since, pl.Date), scored_since=pl.lit(None, pl.Date), leg=pl.lit("l2")
        )
        promise.write_parquet(tmp_path / "promise.parquet")
        return find_episodes(
            tmp_path,
            replace(registers, visits=told),
            load_settings().correction,
            catalogue=CATALOGUE,
            first_day=FIRST,
        )

    return episodes


def visit(
    day: date, found: str = "reversed", *, fixed: bool = True, leg: str | None = "l1"
) -> dict[str, object]:
    return {
        "visit_id": f"V{day}",
        "site_id": "H00004",
        "visited_on": day,
        "found": found,
        "leg": leg,
        "fixed": fixed,
    }


def test_a_likely_fault_lasts_from_its_onset_on(find: Find) -> None:
    found = find({"reversed": 0.99}, onset_on=date(2026, 6, 1))
    assert found.schema == EPISODE
    row = found.row(0, named=True)
    assert (row["fault"], row["leg"], row["from_on"], row["to_on"]) == (
        "reversed",
        "l1",
        date(2026, 6, 1),
        None,
    )
    assert (row["basis"], row["likelihood"], row["why_not"]) == (SUSPECTED, 0.99, None)
    assert (row["service"], row["is_upstream"]) == ("120/240", True)


def test_without_an_onset_it_begins_with_the_lake_or_after_the_last_visit(find: Find) -> None:
    assert find({"reversed": 0.99})["from_on"].to_list() == [FIRST]
    sound = visit(date(2026, 5, 30), "sound", fixed=False, leg=None)
    assert find({"reversed": 0.99}, [sound])["from_on"].to_list() == [date(2026, 5, 31)]


def test_a_visit_that_found_it_and_left_it_ends_nothing(find: Find) -> None:
    left = visit(date(2026, 5, 30), fixed=False)
    assert find({"reversed": 0.99}, [left])["from_on"].to_list() == [FIRST]


@pytest.mark.parametrize(
    ("shares", "score", "why"),
    [
        ({"reversed": 0.7}, {}, "less likely than the 80 %"),
        ({"wrong_scope": 0.97}, {}, RIGHT_READINGS),
        ({"reversed": 0.97}, {"is_clock_suspect": True}, CLOCK),
        ({"reversed": 0.85}, {"record_likelihood": 0.14}, "no install fault"),
    ],
)  # fmt: skip
def test_what_is_not_corrected_says_why(
    find: Find, shares: dict[str, float], score: dict[str, object], why: str
) -> None:
    assert why in find(shares, **score)["why_not"][0]


def test_two_faults_that_look_alike_are_one_episode_with_a_rival(find: Find) -> None:
    row = find({"reversed": 0.55, "legs_crossed": 0.42}).row(0, named=True)
    assert (row["why_not"], row["rival_fault"], row["rival_likelihood"]) == (None, "legs_crossed", 0.42)


def test_a_far_less_likely_fault_is_no_rival(find: Find) -> None:
    assert find({"reversed": 0.9, "legs_crossed": 0.05})["rival_fault"].to_list() == [None]


def test_a_fault_found_and_put_right_ends_the_day_before_the_visit(find: Find) -> None:
    row = find({}, [visit(date(2026, 6, 4))], since=date(2026, 5, 25)).row(0, named=True)
    assert (row["from_on"], row["to_on"]) == (date(2026, 5, 25), date(2026, 6, 3))
    assert (row["basis"], row["ended_by"], row["likelihood"]) == (FOUND, BY_VISIT, 1.0)


def test_a_setting_ends_it_too_and_a_missing_leg_is_the_suspected_one(find: Find) -> None:
    ratio = find({}, [visit(date(2026, 6, 4), "wrong_ratio", leg=None)]).row(0, named=True)
    assert ratio["ended_by"] == BY_SETTING
    assert find({}, [visit(date(2026, 6, 4), leg=None)])["leg"].to_list() == ["l2"]


def test_a_visit_before_the_lakes_first_day_has_no_days(find: Find) -> None:
    assert find({}, [visit(date(2025, 6, 4))]).is_empty()


@pytest.mark.parametrize(
    ("found", "leg", "why_not"),
    [
        ("wrong_ratio", "l1+l2+l3", None),
        ("legs_crossed", None, "the visit doesn't say which leg"),
        ("reversed", None, "the visit doesn't say which leg"),
    ],
)
def test_a_visit_to_three_lines_without_a_leg(
    registers: Registers, tmp_path: Path, found: str, leg: str | None, why_not: str | None
) -> None:
    """What is of the whole home is of all three lines; of CTs on each other's lines nobody knows which."""
    service = pl.when(pl.col("site_id") == "H00004").then(pl.lit("230/400")).otherwise("service")
    told = pl.DataFrame([visit(date(2026, 6, 4), found, leg=None)], schema=registers.visits.schema)
    known = replace(registers, visits=told, sites=registers.sites.with_columns(service=service))
    scores = {
        "site_id": "H00004",
        "likelihood": 0.0,
        "likely_fault": "dead",
        "likely_leg": "l1",
        "onset_on": None,
    }
    scores |= {
        "is_clock_suspect": False,
        "record_likelihood": 0.0,
        "fault_likelihoods": dict.fromkeys(FAULTS, 0.0),
    }
    pl.DataFrame([scores], schema_overrides={"onset_on": pl.Date}).write_parquet(
        tmp_path / "site_scores.parquet"
    )
    none = {
        "since": pl.lit(None, pl.Date),
        "scored_since": pl.lit(None, pl.Date),
        "leg": pl.lit(None, pl.String),
    }
    told.select("visit_id", **none).write_parquet(tmp_path / "promise.parquet")

    (row,) = find_episodes(
        tmp_path, known, load_settings().correction, catalogue=CATALOGUE, first_day=FIRST
    ).to_dicts()

    assert (row["leg"], row["why_not"], row["service"]) == (leg, why_not, "230/400")
