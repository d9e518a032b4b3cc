"""The energy misreported so far in words: its days, its interval, and that it is an estimate."""

from __future__ import annotations

from datetime import date
from typing import Any

from pipeline.worklist.energy_so_far_text import so_far_text

ROW: dict[str, Any] = {
    "leg": "l1", "since": None, "days_so_far": 28, "kwh_so_far": 310.4, "kwh_so_far_low": 279.8,
    "kwh_so_far_high": 1339.6, "kwh_read_so_far": 800.0, "so_far_from": date(2026, 5, 18),
    "so_far_to": date(2026, 6, 14),
}  # fmt: skip


def test_a_number_stands_with_its_days_its_interval_and_the_word_estimate() -> None:
    said = "since 18 May 2026, 28 days with data: estimate 310 kWh (280 to 1\u202f340)"
    assert so_far_text(ROW) == f"{said}; before that: not known"
    assert so_far_text(ROW | {"since": date(2026, 5, 18)}) == said


def test_more_than_the_home_reads_is_said_and_why_on_several_lines() -> None:
    row = ROW | {"kwh_read_so_far": 200.0}
    assert ", more than the home's reading of 200 kWh; before" in so_far_text(row)
    assert "more than" not in so_far_text(row | {"kwh_so_far_low": 150.0})  # it may be less
    for leg in ("both", "l1+l3"):
        several = so_far_text(row | {"leg": leg})
        assert ", more than the home's reading of 200 kWh: the channels' errors add up; before" in several


def test_what_is_not_known_has_no_number() -> None:
    none = dict.fromkeys(("kwh_so_far", "kwh_so_far_low", "kwh_so_far_high"))
    assert so_far_text(ROW | none) == (
        "since 18 May 2026, 28 days with data: not known, the readings don't tell how much"
    )
    silent = ROW | none | {"days_so_far": 0, "so_far_from": None, "so_far_to": None}
    assert so_far_text(silent) == "not known: no data since the fault began"
