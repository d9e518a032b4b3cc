"""Every target stands with met or not met beside its number."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from pipeline.proof.measure import Marks
from pipeline.proof.targets import targets

GOOD = Marks(
    homes=2000, faulty=100, cut=100, average_precision=0.98, first=50, first_share=1.0, found_share=0.94,
    named_share=0.96, leg_share=0.995, order_named_share=0.97, order_leg_share=0.99, ece=0.004, ece_wide=0.006,
    brier=0.01,
)  # fmt: skip
ALARMS = pl.DataFrame(
    {"kind": ["gaps", "plain sound home"], "homes": [200, 900], "alarms": [1, 90], "share": [0.005, 0.1]}
)
SOON = pl.DataFrame({
    "fault": ["dead", "legs_crossed", "reversed", "reversed"], "homes": [20] * 4,
    "position": ["upstream", "upstream", "upstream", "downstream"], "soon_share": [1.0, 0.95, 0.94, 0.2],
})  # fmt: skip


def test_a_good_fleet_meets_all_and_plain_homes_are_no_hard_negatives() -> None:
    table = targets(GOOD, ALARMS, SOON)

    assert table["is_met"].all()
    assert table["met"].unique().to_list() == ["met"]
    assert table.filter(pl.col("target").str.starts_with("false alarms"))["measured"].to_list() == [
        "0.5 % (1 of 200)"
    ]


@pytest.mark.parametrize(
    ("changed", "target"),
    [
        ({"average_precision": 0.9699}, "average precision"),
        ({"first_share": 0.98}, "faulty among the first 50"),
        ({"found_share": 0.92}, "found among the first 100"),
        ({"named_share": 0.94}, "named right, of those found"),
        ({"leg_share": 0.98}, "leg right, of those found"),
        ({"ece_wide": 0.021}, "calibration error (worse of two binnings)"),
        ({"average_precision": float("nan")}, "average precision"),
    ],
)
def test_one_that_falls_short_is_said(changed: dict[str, float], target: str) -> None:
    table = targets(replace(GOOD, **changed), ALARMS, SOON)

    assert table.filter(pl.col("met") == "not met")["target"].to_list() == [target]


def test_alarms_and_nights_fall_short_by_kind_and_by_fault() -> None:
    noisy = ALARMS.with_columns(share=pl.lit(0.015))
    slow = SOON.filter(pl.col("fault") != "dead").with_columns(soon_share=pl.lit(0.9))

    short = targets(GOOD, noisy, slow).filter(~pl.col("is_met"))

    assert short["target"].to_list() == [
        "false alarms: gaps",
        "reversed upstream found within 2 nights",
        "legs_crossed upstream found within 2 nights",
        "dead upstream found within 2 nights",
    ]
    assert short["measured"][-1] == "no such home"
