"""Nights until found: the logic on made-up nights, and the real steps on a tiny lake."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from validation_homes import scored_homes

from pipeline.core.settings import load_settings
from pipeline.evaluation.validation.nights import (
    count_by_position,
    metrics_by_night,
    nights_until_found,
    score_night,
    store_lake,
)
from pipeline.scoring.model_file import load_model
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

RIGHT, LOW, WRONG = ("dead", 0.9), ("dead", 0.4), ("partial", 0.9)


def night(*homes: tuple[str, float]) -> pl.DataFrame:
    """A night of homes with a dead leg 1, each with the name and likelihood it goes by."""
    return scored_homes([(likelihood, "dead", "l1", name, "l1", None) for name, likelihood in homes])


def test_found_is_the_first_night_from_which_it_stays_with_the_right_name() -> None:
    nights = {
        1: night(RIGHT, RIGHT, LOW, WRONG, RIGHT),
        2: night(RIGHT, LOW, LOW, WRONG, RIGHT),
        5: night(RIGHT, RIGHT, LOW, RIGHT, LOW),
    }

    until = nights_until_found(nights).sort("site_id")

    assert until["nights"].to_list() == [1, 5, None, 5, None]
    assert until["suspect_nights"].to_list() == [1, 5, None, 1, None]
    (row,) = count_by_position(until).to_dicts()
    assert (row["fault"], row["position"], row["homes"]) == ("dead", "upstream", 5)
    assert (row["median_nights"], row["soon_share"], row["found_share"]) == (5, 0.2, 0.6)
    assert row["suspect_soon_share"] == 0.4


def test_a_median_of_mostly_unfound_homes_is_unknown() -> None:
    (row,) = count_by_position(nights_until_found({1: night(LOW, LOW, RIGHT)})).to_dicts()

    assert row["median_nights"] is None


def test_faults_that_began_later_have_no_nights() -> None:
    later = scored_homes([(0.9, "dead", "l1", "dead", "l1", None)], onset_in_days={0: 2})

    assert nights_until_found({1: later}).is_empty()


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> dict[int, pl.DataFrame]:
    """A tiny simulated fleet of turned CTs, as of its first, second and last night."""
    root: Path = tmp_path_factory.mktemp("nights")
    write_lake(
        FleetSpec(8, 4, 30, 3, fault_share=0.5, onset_share=0.0, hard_share=0.0, faults=("reversed",)),
        root / "lake",
    )
    stored = store_lake(root / "lake", root / "scratch", load_settings())
    return {night: score_night(stored, night, load_model()).homes for night in (1, 2, 4)}


def test_the_windows_grow_from_the_first_day(nights: dict[int, pl.DataFrame]) -> None:
    assert list(nights) == [1, 2, 4]
    table = metrics_by_night(nights)
    assert table["nights"].to_list() == [1, 2, 4]
    assert table["homes"].to_list() == [8, 8, 8]
    assert table["faulty"].n_unique() == 1
    # more nights are more evidence: the last isn't worse than the first
    assert table["average_precision"][-1] >= table["average_precision"][0]


def test_turned_clamps_are_found_soon(nights: dict[int, pl.DataFrame]) -> None:
    until = nights_until_found(nights)

    assert until.height == nights[4]["is_faulty"].sum()
    assert until.filter(pl.col("position") == "upstream")["nights"].median() <= 2
