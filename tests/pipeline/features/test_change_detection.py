"""Since when: a change is found on its day, and where nothing changed nothing is found."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.core.settings import load_settings
from pipeline.features.change_detection import CHANGES, find_changes

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
    "zero_l1_share",
    "zero_l2_share",
    "night_l1_w",
    "night_l2_w",
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
        "zero_l1_share": rng.choice([0.0, 0.001], DAYS).tolist(), "zero_l2_share": [0.0] * DAYS,
        "night_l1_w": rng.lognormal(5.3, 0.5, DAYS).tolist(), "night_l2_w": rng.lognormal(5.0, 0.5, DAYS).tolist(),
    }  # fmt: skip
    days = pl.date_range(FIRST, LAST, eager=True)
    numbers = {name: pl.Series(values, dtype=pl.Float64) for name, values in {**usual, **held}.items()}
    return pl.DataFrame({"site_id": [site_id] * DAYS, "day": days, **numbers})


def step(before: float, after: float, at: int, scatter: float = 0.02) -> list[float | None]:
    rng = np.random.default_rng(9)
    return (np.where(np.arange(DAYS) < at, before, after) + rng.normal(0, scatter, DAYS)).tolist()


def changes(*homes: pl.DataFrame, last: date = LAST) -> list[tuple[str, date, str]]:
    found = find_changes(pl.concat(homes), FIRST, last, settings=SETTINGS)
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


def test_a_splice_that_opens_is_found_by_the_root_of_its_zeros() -> None:
    """3 % of the time at zero is far more than none, as the roots 0.17 and 0 say; 0.9 % isn't, against 0.1 %."""
    opens = home(zero_l1_share=[0.001] * 14 + [0.03] * (DAYS - 14))
    rarely = home(zero_l1_share=[0.001] * 14 + [0.009] * (DAYS - 14))

    assert changes(opens) == [("a", FIRST + timedelta(days=14), "zero_l1_share")]
    assert changes(rarely) == []


def test_one_day_with_an_outage_is_no_opening_splice() -> None:
    held = [0.0] * DAYS
    held[10] = 0.3

    assert changes(home(zero_l2_share=held)) == []


def test_a_clamp_turned_where_no_slope_tells_is_found_by_the_level_of_its_night() -> None:
    """Without solar: 200 W become -200 W, 4.2 steps of the scale; 200 W of 80 are a guest, not a fault."""
    no_sun: dict[str, list[float | None]] = {"slope_l1": [None] * DAYS, "slope_l2": [None] * DAYS}
    turned = home(night_l1_w=step(200.0, -200.0, 9, 20.0), **no_sun)
    guest = home(night_l1_w=step(80.0, 200.0, 9, 5.0), **no_sun)

    assert changes(turned) == [("a", FIRST + timedelta(days=9), "night_l1_w")]
    assert changes(guest) == []


def test_homes_that_scatter_from_day_to_day_hardly_ever_change() -> None:
    """A battery nobody told of moves slope and zeros every day, far beyond what the day's own ramps promise."""
    rng = np.random.default_rng(12)
    homes = [
        home(
            f"home {seed}",
            seed,
            slope_l1=(-0.35 + rng.normal(0, 0.15, DAYS)).tolist(),
            zero_l2_share=rng.uniform(0.0, 0.06, DAYS).tolist(),
        )
        for seed in range(60)
    ]

    assert len(changes(*homes)) <= 1


def test_one_step_is_a_change_whatever_its_size_against_the_scatter_before() -> None:
    """The scatter is the middle of the day-to-day steps: the one step of the fault doesn't count as scatter."""
    assert changes(home(slope_l1=step(-0.5, -0.25, 12))) == [("a", FIRST + timedelta(days=12), "slope_l1")]
    restless = home(slope_l1=step(-0.5, 0.5, 12, scatter=0.15))
    assert changes(restless) == [("a", FIRST + timedelta(days=12), "slope_l1")]


def test_a_change_is_told_with_the_numbers_before_and_after() -> None:
    turned = home("turned", slope_l2=step(-0.5, 0.5, 12, scatter=0.0))
    opens = home("opens", zero_l1_share=[0.001] * 14 + [0.03] * (DAYS - 14))
    dead = home("died", tiny_l2_share=[0.01] * 9 + [1.0] * (DAYS - 9))
    level = home("level", night_l1_w=[200.0] * 9 + [-210.0] * (DAYS - 9))

    found = find_changes(pl.concat([turned, opens, dead, level]), FIRST, LAST, settings=SETTINGS)

    told = dict(found.select("site_id", "change_told").iter_rows())
    assert {home: text.rsplit(" (", 1)[0] for home, text in told.items()} == {
        "turned": "response of L2 to PV −0.50 W per W before, +0.50 W per W since",
        "opens": "L1 at zero while the rest of the home draws power under 1 % of intervals before,"
        " 3 % of intervals since",
        "died": "L2 within a few watts of zero 1 % of intervals before, 100 % of intervals since",
        "level": "overnight baseload of L1 200 W before, −210 W since",
    }
    errors = {row["site_id"]: row["change_z"] for row in found.to_dicts()}
    assert all(text.endswith(f" ({errors[home]:.0f} standard errors)") for home, text in told.items())


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
