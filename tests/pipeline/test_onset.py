"""Since when: a change is found on its day, and where nothing changed nothing is found."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.onset import CHANGES, find_changes
from pipeline.settings import load_settings

SETTINGS = load_settings()
FIRST, DAYS = date(2025, 6, 1), 24
LAST = FIRST + timedelta(days=DAYS - 1)
SERIES = (
    "slope_l1",
    "slope_l2",
    "night_l1_negative_share",
    "night_l2_negative_share",
    "tiny_l1_share",
    "tiny_l2_share",
)


def home(site_id: str = "a", seed: int = 1, **held: list[float | None]) -> pl.DataFrame:
    """A right upstream home day by day, with a little scatter, but for the series given."""
    rng = np.random.default_rng(seed)
    usual = {
        "slope_l1": (-0.5 + rng.normal(0, 0.02, DAYS)).tolist(),
        "slope_l2": (-0.5 + rng.normal(0, 0.02, DAYS)).tolist(),
        "slope_l1_se": [0.02] * DAYS, "slope_l2_se": [0.02] * DAYS,
        "night_l1_negative_share": [0.0] * DAYS, "night_l2_negative_share": [0.0] * DAYS,
        "tiny_l1_share": [0.0] * DAYS, "tiny_l2_share": [0.0] * DAYS,
    }  # fmt: skip
    days = pl.date_range(FIRST, LAST, eager=True)
    numbers = {name: pl.Series(values, dtype=pl.Float64) for name, values in {**usual, **held}.items()}
    return pl.DataFrame({"site_id": [site_id] * DAYS, "day": days, **numbers})


def step(before: float, after: float, at: int) -> list[float | None]:
    rng = np.random.default_rng(9)
    return (np.where(np.arange(DAYS) < at, before, after) + rng.normal(0, 0.02, DAYS)).tolist()


def changes(*homes: pl.DataFrame, last: date = LAST) -> list[tuple[str, date, str]]:
    found = find_changes(pl.concat(homes), FIRST, last, SETTINGS)
    assert found.schema == pl.Schema(CHANGES)
    return [(row["site_id"], row["changed_on"], row["change_of"]) for row in found.to_dicts()]


@pytest.mark.parametrize("at", [2, 12, 22])
def test_a_clamp_that_was_turned_is_found_on_its_day(at: int) -> None:
    turned = home(slope_l1=step(-0.5, 0.5, at), night_l1_negative_share=[0.0] * at + [1.0] * (DAYS - at))

    assert changes(turned) == [("a", FIRST + timedelta(days=at), "slope_l1")]


def test_a_leg_that_died_is_found_by_its_silence() -> None:
    dead = home(
        slope_l2=[*step(-0.5, -0.5, 9)[:9], *[None] * (DAYS - 9)],
        tiny_l2_share=[0.01] * 9 + [1.0] * (DAYS - 9),
    )

    assert changes(dead) == [("a", FIRST + timedelta(days=9), "tiny_l2_share")]


def test_no_step_no_change() -> None:
    assert changes(*(home(f"home {seed}", seed) for seed in range(20))) == []


def test_a_fault_that_was_always_there_is_no_change() -> None:
    assert changes(home(slope_l1=step(0.5, 0.5, 0), night_l1_negative_share=[1.0] * DAYS)) == []


def test_a_slow_drift_below_the_least_shift_is_no_change() -> None:
    assert changes(home(slope_l1=np.linspace(-0.5, -0.42, DAYS).tolist())) == []


def test_one_odd_day_is_no_change() -> None:
    odd = step(-0.5, -0.5, 0)
    odd[11] = 0.5

    assert changes(home(slope_l1=odd)) == []


def test_unsure_slopes_say_nothing() -> None:
    """Half a winter's slopes with errors of 1 W/W may read anything."""
    assert changes(home(slope_l1=step(-0.5, 0.5, 12), slope_l1_se=[1.0] * DAYS)) == []


def test_missing_days_move_nothing() -> None:
    """The step is found on the first day that has data after it."""
    gaps = home(slope_l1=step(-0.5, 0.5, 12), night_l1_negative_share=[0.0] * 12 + [1.0] * 12)
    gaps = gaps.filter(~pl.col("day").is_between(FIRST + timedelta(days=5), FIRST + timedelta(days=7)))
    assert changes(gaps) == [("a", FIRST + timedelta(days=12), "slope_l1")]

    longer = gaps.filter(~pl.col("day").is_between(FIRST + timedelta(days=10), FIRST + timedelta(days=14)))
    assert changes(longer) == [("a", FIRST + timedelta(days=15), "slope_l1")]


def test_days_without_a_slope_move_nothing() -> None:
    cloudy = step(-0.5, 0.5, 12)
    cloudy[3] = cloudy[12] = cloudy[13] = None
    turned = home(slope_l1=cloudy, night_l1_negative_share=[0.0] * 12 + [1.0] * 12)

    assert changes(turned) == [("a", FIRST + timedelta(days=12), "slope_l1")]


def test_only_the_homes_that_changed_are_named() -> None:
    found = changes(
        home("a", 3),
        home("b", slope_l2=step(-0.5, -0.1, 7)),
        home("c", 5),
        home("d", tiny_l1_share=step(0.0, 0.9, 18)),
    )

    assert found == [
        ("b", FIRST + timedelta(days=7), "slope_l2"),
        ("d", FIRST + timedelta(days=18), "tiny_l1_share"),
    ]


def test_nothing_comes_of_nothing() -> None:
    assert changes(home().clear()) == []
    assert changes(home()[:1], last=FIRST) == []
    empty = home(**{name: [None] * DAYS for name in SERIES})
    assert changes(empty) == []


def test_days_outside_the_window_are_not_looked_at() -> None:
    assert changes(home(slope_l1=step(-0.5, 0.5, 12)), last=FIRST + timedelta(days=11)) == []
