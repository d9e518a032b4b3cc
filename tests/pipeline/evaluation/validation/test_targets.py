"""Every target stands with met or not met beside its number, by the worst fleet and by all together."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.evaluation.validation.targets import MET, NOT_MET, PARTLY, check_targets

GOOD: dict[str, Any] = {
    "average_precision": 0.96, "first_share": 1.0, "found_share": 0.9, "named_share": 0.95, "leg_share": 0.97,
    "ece": 0.01, "sound_suspects_1000": 2.0, "suspects_right_share": 0.95, "listed_1000": None, "rate_low": None,
    "stand_out": None, "crews": None, "crews_held": None, "crews_held_share": None,
}  # fmt: skip
FIRST_NIGHT: dict[str, Any] = {
    "listed_1000": 1.0, "rate_low": 0.001, "stand_out": 0, "crews": 14, "crews_held": 14, "crews_held_share": 1.0,
}  # fmt: skip


def fleets(**changed: dict[str, Any]) -> pl.DataFrame:
    """The table by fleet of two ordinary fleets, a clean one and small ones; `changed` of these rows, by name."""
    rows = {
        "one": {"kind": "ordinary", "fleet": "one", **GOOD, **FIRST_NIGHT},
        "two": {"kind": "ordinary", "fleet": "two", **GOOD, **FIRST_NIGHT},
        "all": {"kind": "pooled", "fleet": "ordinary, pooled", **GOOD},
        "clean": {
            "kind": "clean",
            "fleet": "clean",
            **GOOD,
            "average_precision": float("nan"),
            **FIRST_NIGHT,
        },
        "few": {"kind": "small", "fleet": "one: small fleets", **GOOD, "ece": 0.02},
    }
    return pl.DataFrame([row | changed.get(name, {}) for name, row in rows.items()], infer_schema_length=None)


def test_good_fleets_meet_all() -> None:
    table = check_targets(fleets())

    assert table["is_met"].all()
    assert table["met"].unique().to_list() == [MET]
    assert table.height == 13


@pytest.mark.parametrize(
    ("changed", "target"),
    [
        ({"average_precision": 0.9499}, "average precision"),
        ({"first_share": 0.98}, "faulty among the first 2.5 % (50 of 2,000)"),
        ({"found_share": 0.88}, "found among as many homes as are faulty"),
        ({"named_share": 0.93}, "fault named correctly, of those found"),
        ({"leg_share": 0.95}, "leg named correctly, of those found"),
        ({"ece": 0.016}, "calibration error"),
        ({"sound_suspects_1000": 5.1}, "sound homes suspected, per 1,000"),
    ],
)
def test_one_fleet_that_falls_short_is_named(changed: dict[str, float], target: str) -> None:
    (short,) = check_targets(fleets(two=changed)).filter(~pl.col("is_met")).to_dicts()

    assert (short["target"], short["met"], short["worst_fleet"]) == (target, PARTLY, "two")
    (short,) = check_targets(fleets(two=changed, all=changed)).filter(~pl.col("is_met")).to_dicts()
    assert (short["target"], short["met"]) == (target, NOT_MET)


@pytest.mark.parametrize(
    ("row", "changed", "target"),
    [
        ("few", {"ece": 0.031}, "60 homes: calibration error"),
        ("few", {"suspects_right_share": 0.89}, "60 homes: suspects with a fault"),
        ("clean", {"listed_1000": 4.0}, "no fault: homes listed, per 1,000"),
        ("clean", {"rate_low": 0.006}, "no fault: lower end of the estimated rate"),
        ("clean", {"stand_out": 1}, "no fault: crews called worse or better"),
    ],
)
def test_clean_and_small_fleets_have_their_own(row: str, changed: dict[str, Any], target: str) -> None:
    assert check_targets(fleets(**{row: changed})).filter(~pl.col("is_met"))["target"].to_list() == [target]


def test_crews_are_asked_for_over_all_fleets() -> None:
    poor = {"crews_held": 11, "crews_held_share": 11 / 14}

    one, two = (
        check_targets(fleets(**rows))
        .filter(pl.col("target").str.starts_with("crews inside"))
        .row(0, named=True)
        for rows in ({"two": poor}, {"two": poor, "one": poor})
    )

    assert (one["target"], one["met"], one["worst_fleet"]) == (
        "crews inside their 95 % interval (39 of 42)",
        MET,
        "two",
    )
    assert two["met"] == NOT_MET


@pytest.mark.parametrize("nothing", [None, float("nan")])
def test_what_is_not_known_is_not_met(nothing: float | None) -> None:
    (short,) = check_targets(fleets(two={"average_precision": nothing})).filter(~pl.col("is_met")).to_dicts()

    assert (short["target"], short["worst"], short["worst_fleet"]) == ("average precision", "–", "two")
    assert check_targets(fleets().filter(pl.col("kind") != "small")).filter(~pl.col("is_met")).height == 2
