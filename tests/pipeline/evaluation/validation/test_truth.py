"""Scores beside the truth: which names count as right, and which faults are there yet."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
from validation_homes import scored_homes

from pipeline.evaluation.validation.truth import pool_homes, read_channels, read_truth

TWINS = [
    (0.9, "legs_crossed", "both", "reversed", "both", None),
    (0.8, "reversed", "both", "legs_crossed", "both", None),
    (0.7, "legs_crossed", "both", "reversed", "l1", None),
    (0.6, "reversed", "l1", "legs_crossed", "both", None),
]


def test_without_leg_voltages_crossed_and_both_turned_are_one_class_with_two_names() -> None:
    assert scored_homes(TWINS, has_volts=False)["is_named_right"].to_list() == [True, True, False, False]
    assert scored_homes(TWINS, has_volts=True)["is_named_right"].to_list() == [False] * 4


def test_a_fault_that_has_not_begun_is_not_there_and_one_that_began_in_the_window_is() -> None:
    homes = [(0.9, "dead", "l1", "dead", "l1", None)] * 3

    frame = scored_homes(homes, onset_in_days={1: 3, 2: -1}).sort("site_id")

    assert frame["is_faulty"].to_list() == [True, True, False]
    assert frame["is_from_first_day"].to_list() == [True, False, False]
    assert frame["fault"].to_list() == ["dead", "dead", "sound"]


def test_the_order_names_a_fault_where_the_score_says_sound() -> None:
    row = scored_homes([(0.4, "dead", "l1", "sound", None, None)]).row(0, named=True)

    assert not row["is_named_right"]
    assert row["is_order_right"]


def test_pooled_fleets_are_ranked_as_one() -> None:
    one, two = scored_homes(TWINS[:2]), scored_homes(TWINS[1:3])

    whole = pool_homes([one, two])

    assert whole["rank"].to_list() == [1, 2, 3, 4]
    assert whole["likelihood"].to_list() == [0.9, 0.8, 0.8, 0.7]
    assert whole["site_id"].n_unique() == 4


def test_truth_is_read_with_its_types(tmp_path: Path) -> None:
    path = tmp_path / "truth.csv"
    path.write_text(
        "site_id,fault,leg,onset_on,severity,hard_negative,sees_pv_true,witness_pv_l1\n"
        "a,dead,l1,2026-06-02,zero,,true,0.0\nb,sound,,,,gaps,false,\n"
    )

    first, second = read_truth(path).to_dicts()

    assert (first["onset_on"], first["leg"], first["hard_negative"]) == (date(2026, 6, 2), "l1", None)
    assert (first["sees_pv_true"], second["sees_pv_true"]) == (True, False)
    assert (second["leg"], second["hard_negative"], second["witness_pv_l1"]) == (None, "gaps", None)


def test_what_a_home_carries_is_what_it_ever_reported(tmp_path: Path) -> None:
    day = tmp_path / "intervals" / "date=2026-06-14"
    day.mkdir(parents=True)
    pl.DataFrame({
        "site_id": ["a", "a", "b", "b"], "l1_w": [1.0] * 4, "l2_w": [1.0] * 4, "pv_w": [0.0, 0.0, 0.0, 500.0],
        "l1_v": [None, None, 120.0, None], "l2_v": [None, None, 119.0, None],
    }).write_parquet(day / "part.parquet")  # fmt: skip

    a, b = read_channels(tmp_path).to_dicts()

    assert (a["has_pv"], a["has_volts"], a["has_l2"], a["has_meter"]) == (False, False, True, False)
    assert (b["has_pv"], b["has_volts"], b["has_l2"], b["has_meter"]) == (True, True, True, False)
