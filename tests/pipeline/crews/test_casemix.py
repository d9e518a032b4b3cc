"""What makes an install hard, as columns."""

from __future__ import annotations

from datetime import date

from invented import sites

from pipeline.crews.casemix import case_mix, levels

HOMES = sites(
    [
        {"site_id": "a", "ct_location": "feeder", "cts_per_leg": 2, "lead_extended": True,
         "commissioned_on": date(2026, 5, 9)},
        {"site_id": "b", "ct_location": "feeder", "cts_per_leg": 1, "lead_extended": False,
         "commissioned_on": date(2026, 1, 2)},
        {"site_id": "c", "service": "120/208"},
    ]
)  # fmt: skip


def test_levels_in_words_and_what_is_not_known_is_one_of_them() -> None:
    rows = levels(HOMES).rows()

    assert rows == [
        ("feeder", "parallel", "yes", "unknown", "2026-04"),
        ("feeder", "single", "no", "unknown", "2026-01"),
        ("unknown", "unknown", "unknown", "120/208", "unknown"),
    ]


def test_each_level_has_a_column_and_a_feature_with_one_level_none() -> None:
    two = case_mix(HOMES.head(2))

    assert two.columns == [
        "intercept", "cts_per_leg parallel", "cts_per_leg single", "lead_extended no", "lead_extended yes",
        "period 2026-01", "period 2026-04",
    ]  # fmt: skip
    assert two.to_numpy().tolist() == [[1, 1, 0, 0, 1, 0, 1], [1, 0, 1, 1, 0, 1, 0]]
