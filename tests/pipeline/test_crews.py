"""Who is counted, for what, and how much a rate of few homes says."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.contract import FAULTS
from pipeline.crews import beta_binomial_prior, beta_moments, crew_quality, wilson
from pipeline.settings import load_settings

SETTINGS = load_settings().crews
COMMISSIONED = date(2026, 5, 1)
CREWS = pl.DataFrame({"crew_id": ["ash", "birch", "new"], "crew_name": ["Ash", "Birch", "New"]})

# Tarone, Biometrics 38:215, 1982, as in Gelman et al., Bayesian Data Analysis, ch. 5: rats with a tumour, of
# rats, in 70 historical groups and the current one (data from memory; the printed results reproduce)
TUMOURS = np.array(
    [0] * 14 + [1] * 8 + [2] * 9 + [1, 5, 2, 5, 3, 2, 7, 7, 3, 3, 2, 9, 10]
    + [4] * 7 + [10, 4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4],
    dtype=np.float64,
)  # fmt: skip
RATS = np.array(
    [20] * 7 + [19] * 4 + [18, 18, 17, 20, 20, 20, 20, 19, 19, 18, 18, 25, 24, 23] + [20] * 6
    + [10, 49, 19, 46, 27, 17, 49, 47, 20, 20, 13, 48, 50] + [20] * 7
    + [48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14],
    dtype=np.float64,
)  # fmt: skip


def home(
    site_id: str,
    crew_id: str | None = "ash",
    likelihood: float = 0.0,
    verdict: str | None = None,
    fault: str = "reversed",
    onset_on: date | None = None,
    commissioned_on: date | None = COMMISSIONED,
) -> dict:
    chances = dict.fromkeys(FAULTS, 0.0) | {fault: likelihood, "sound": 1 - likelihood}
    return {
        "site_id": site_id,
        "crew_id": crew_id,
        "commissioned_on": commissioned_on,
        "likelihood": likelihood,
        "verdict": verdict or ("suspect" if likelihood > 0.5 else "sound"),
        "fault_likelihoods": chances,
        "onset_on": onset_on,
    }


def visit(site_id: str, found: str, visited_on: date = date(2026, 6, 1), fixed: bool = True) -> dict:
    return {
        "visit_id": f"{site_id} {visited_on}",
        "site_id": site_id,
        "visited_on": visited_on,
        "found": found,
        "fixed": fixed,
    }


VISITS = {
    "visit_id": pl.String,
    "site_id": pl.String,
    "visited_on": pl.Date,
    "found": pl.String,
    "fixed": pl.Boolean,
}


def table(homes: list[dict], visits: list[dict] | None = None) -> dict[str, dict]:
    """The table by crew."""
    frame = pl.DataFrame(homes, schema_overrides={"onset_on": pl.Date, "commissioned_on": pl.Date})
    rows = crew_quality(
        frame.drop("crew_id", "commissioned_on"),
        frame.select("site_id", "crew_id", "commissioned_on"),
        CREWS,
        pl.DataFrame(visits or [], schema=VISITS),
        SETTINGS,
    )
    return {row["crew_id"]: row for row in rows.iter_rows(named=True)}


def test_a_home_nobody_visited_counts_with_its_likelihood() -> None:
    ash = table([home("a", likelihood=0.9), home("b", likelihood=0.2), home("c")])["ash"]

    assert ash["installs"] == ash["judged"] == 3
    assert (ash["confirmed_faults"], ash["expected_faults"]) == (0, pytest.approx(1.1))
    assert ash["rate"] == pytest.approx(1.1 / 3)


def test_what_a_visit_found_replaces_the_likelihood() -> None:
    # after the fix the data speak of a sound home, and the suspicion at b was wrong
    homes = [home("a", likelihood=0.02), home("b", likelihood=0.1)]
    ash = table(homes, [visit("a", "dead"), visit("b", "sound")])["ash"]

    assert (ash["confirmed_faults"], ash["expected_faults"], ash["later_faults"]) == (1, 0, 0)
    assert ash["top_fault"] == "dead"


def test_a_home_counts_once_however_often_it_is_visited() -> None:
    twice = [visit("a", "dead", fixed=False), visit("a", "dead", date(2026, 6, 9))]

    assert table([home("a")], twice)["ash"]["confirmed_faults"] == 1


def test_a_visit_that_found_something_else_says_nothing_about_clamps() -> None:
    ash = table([home("a", likelihood=0.7)], [visit("a", "other")])["ash"]

    assert (ash["confirmed_faults"], ash["expected_faults"]) == (0, pytest.approx(0.7))


@pytest.mark.parametrize(
    ("onset_on", "commissioned_on", "counts"),
    [
        (None, COMMISSIONED, True),  # so from the first day
        (None, None, True),
        (date(2026, 5, 4), COMMISSIONED, True),  # within the first days
        (date(2026, 5, 20), COMMISSIONED, False),  # somebody worked in the panel
        (date(2026, 5, 20), None, False),  # seen to begin
    ],
)
def test_only_faults_from_the_first_days_are_the_crews(
    onset_on: date | None, commissioned_on: date | None, counts: bool
) -> None:
    suspect = home("a", likelihood=0.8, onset_on=onset_on, commissioned_on=commissioned_on)

    ash = table([suspect, home("b")])["ash"]

    assert ash["expected_faults"] == pytest.approx(0.8 if counts else 0)
    assert ash["later_faults"] == pytest.approx(0 if counts else 0.8)
    assert ash["judged"] == 2


def test_a_fault_found_that_began_later_is_shown_apart() -> None:
    ash = table([home("a", likelihood=0.9, onset_on=date(2026, 5, 25))], [visit("a", "dead", fixed=False)])[
        "ash"
    ]

    assert (ash["confirmed_faults"], ash["later_faults"]) == (0, 1)


def test_a_fault_after_a_visit_that_found_the_home_sound_is_a_later_one() -> None:
    visits = [visit("a", "sound"), visit("a", "reversed", date(2026, 7, 1))]
    still_suspect = home("b", likelihood=0.9, onset_on=date(2026, 6, 20))

    ash = table([home("a"), still_suspect], [*visits, visit("b", "sound")])["ash"]

    assert (ash["confirmed_faults"], ash["expected_faults"], ash["later_faults"]) == (
        0,
        0,
        pytest.approx(1.9),
    )


def test_too_little_known_is_left_out_unless_visited() -> None:
    homes = [
        home("a", likelihood=0.3, verdict="unproven"),
        home("b", likelihood=0.3, verdict="unproven"),
        home("c"),
    ]

    ash = table(homes, [visit("b", "sound")])["ash"]

    assert (ash["installs"], ash["judged"], ash["expected_faults"]) == (3, 2, 0)


def test_top_fault_is_the_most_frequent_of_what_was_found_or_is_suspected() -> None:
    suspects = [home(f"p{i}", likelihood=0.8, fault="partial") for i in range(2)]
    rest = [home(f"s{i}", likelihood=0.3, fault="loose_core") for i in range(9)]  # dust of sound homes

    assert table([*suspects, *rest, home("d")], [visit("d", "dead")])["ash"]["top_fault"] == "partial"
    assert table(rest)["ash"]["top_fault"] is None


def test_few_homes_are_not_ranked_and_shrink_to_the_fleet() -> None:
    few = [home(f"a{i}", "ash", likelihood=0.9 * (i == 0)) for i in range(2)]
    many = [home(f"b{i}", "birch", likelihood=0.9 * (i % 5 == 0)) for i in range(100)]

    crews = table([*few, *many])

    assert not crews["ash"]["is_ranked"]
    assert crews["birch"]["is_ranked"]
    assert crews["ash"]["fleet_rate"] == pytest.approx((0.9 + 18) / 102)
    assert abs(crews["ash"]["shrunk_rate"] - 0.185) < 0.1 * abs(crews["ash"]["rate"] - 0.185)
    assert crews["birch"]["shrunk_rate"] == pytest.approx(0.18, abs=0.01)
    assert crews["ash"]["rate_low"] < 0.185 < crews["ash"]["rate_high"]
    assert next(iter(crews)) == "birch"


def test_a_crew_without_homes_has_a_row_and_no_rate() -> None:
    new = table([home("a")])["new"]

    assert (new["crew_name"], new["installs"], new["rate"], new["shrunk_rate"]) == ("New", 0, None, None)


def test_homes_of_an_unlisted_crew_or_of_none() -> None:
    crews = table([home("a", "oak"), home("b", None, likelihood=0.8)])

    assert (crews["oak"]["crew_name"], crews["oak"]["installs"]) == (None, 1)
    assert None not in crews
    assert crews["oak"]["fleet_rate"] == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("faults", "homes", "low", "high"),
    [
        # Newcombe, Stat. Med. 17:857, 1998, method 3
        (81, 263, 0.255289, 0.366210),
        (15, 148, 0.062386, 0.160487),
        (0, 20, 0, 0.161125),
        (1, 29, 0.006113, 0.171755),
    ],
)
def test_wilson_interval(faults: int, homes: int, low: float, high: float) -> None:
    found = [float(end[0]) for end in wilson(np.array([faults * 1.0]), np.array([homes * 1.0]))]

    assert found == pytest.approx([low, high], abs=1e-6)
    oracle = stats.binomtest(faults, homes).proportion_ci(method="wilson")
    assert found == pytest.approx([oracle.low, oracle.high], abs=1e-9)


def test_wilson_interval_of_an_expected_count_lies_between_its_neighbours() -> None:
    low, high = wilson(np.array([3, 3.4, 4]), np.full(3, 30.0))

    assert np.all(np.diff(low) > 0)
    assert np.all(np.diff(high) > 0)
    assert [end[0] for end in wilson(np.zeros(1), np.zeros(1))] == [0, 1]


def test_rat_tumours_by_moments() -> None:
    # Gelman et al.: 70 historical groups, mean 0.13601, sd 0.10349 -> beta(1.3561, 8.6151); 4 of 14 -> 0.2234
    rates = (TUMOURS / RATS)[:70]
    assert (rates.mean(), rates.std(ddof=1)) == pytest.approx((0.13601, 0.10349), abs=5e-6)

    alpha, beta = beta_moments(rates)

    assert (alpha, beta) == pytest.approx((1.3561, 8.6151), abs=1e-4)
    assert (alpha + 4) / (alpha + beta + 14) == pytest.approx(0.2234, abs=5e-5)


def test_rat_tumours_by_maximum_likelihood() -> None:
    # all 71 groups: beta(2.34161, 14.11480) (check value computed independently)
    assert beta_binomial_prior(TUMOURS, RATS) == pytest.approx((2.34161, 14.11480), rel=1e-4)


def test_crews_that_differ_by_luck_alone_get_the_fleets_rate() -> None:
    homes = np.full(40, 25.0)
    faults = np.array([2.0, 3.0] * 20)  # less spread than luck alone would give

    alpha, beta = beta_binomial_prior(faults, homes)

    shrunk = (alpha + faults) / (alpha + beta + homes)
    assert np.ptp(shrunk) < 0.001
    assert shrunk.mean() == pytest.approx(0.1, abs=0.001)


def test_shrunk_rates_are_nearly_as_good_as_if_the_spread_of_crews_were_known() -> None:
    rng = np.random.default_rng(8)
    raw, known, ours = 0.0, 0.0, 0.0
    for _ in range(30):
        true = rng.beta(2, 20, 60)
        homes = rng.integers(5, 80, 60).astype(float)
        faults = rng.binomial(homes.astype(int), true).astype(float)
        alpha, beta = beta_binomial_prior(faults, homes)
        raw += np.sum((faults / homes - true) ** 2)
        known += np.sum(((2 + faults) / (22 + homes) - true) ** 2)
        ours += np.sum(((alpha + faults) / (alpha + beta + homes) - true) ** 2)

    assert known < ours < 1.1 * known
    assert ours < raw
