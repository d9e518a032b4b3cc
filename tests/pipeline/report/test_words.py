"""Numbers and codes as people read them."""

from __future__ import annotations

from datetime import date

from pipeline.report import words


def test_numbers_have_a_true_minus_and_no_minus_zero() -> None:
    assert words.number(-1234.5, 1) == "−1\u202f234.5"
    assert words.number(-0.001, 2, sign=True) == "0.00"
    assert words.number(float("nan")) == "–"
    assert words.slope(0.5, 0.02) == "+0.50 ± 0.02"


def test_minutes_days_legs_and_counts() -> None:
    assert (words.minutes(45), words.minutes(90)) == ("45 min", "1 h 30 min")
    assert words.day(date(2026, 5, 4)) == "4 May 2026"
    assert (words.leg("both"), words.leg(None)) == ("both legs", "")
    assert (words.count(1, "fix", "fixes"), words.count(2, "fix", "fixes")) == ("1 fix", "2 fixes")
