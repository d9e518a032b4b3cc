"""Hits against promises: exact intervals, published checks, and drift that is flagged where there is some."""

from itertools import product

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.core.multiple_tests import holm
from pipeline.core.settings import load_settings
from pipeline.worklist.hit_rate import (
    SCHEMA,
    TOO_FEW,
    TOO_MANY,
    drift_p,
    hit_rate,
    hits_interval,
)
from pipeline.worklist.prediction_log import OTHER_CAUSE
from pipeline.worklist.prediction_log import SCHEMA as PROMISE

OWN = load_settings().hit_rate


def visits(month, likelihood, hits, count, way="visit", left_out=None, named=0):
    """Table promise of `count` visits in a month, `hits` of which found a fault."""
    rows = [
        {
            "visit_id": f"{way}{month}{at}", "month": month, "fix_by": way, "likelihood": likelihood,
            "is_hit": None if left_out else at < hits, "is_named_right": at < named if at < hits else None,
            "left_out": left_out,
        }
        for at in range(count)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=PROMISE)


def rates(*parts):
    return hit_rate(pl.concat(parts), OWN).to_dicts()


def test_a_month_is_promised_the_sum_of_its_likelihoods():
    every, month = rates(visits("2026-05", 0.8, 17, 20, named=12))
    assert (every["month"], month["month"]) == (None, "2026-05")
    assert (month["visits"], month["promised"], month["hits"], month["named_right"]) == (
        20,
        pytest.approx(16),
        17,
        12,
    )
    assert (month["rate"], month["drift"]) == (0.85, None)


@pytest.mark.parametrize(
    ("hits", "count", "low", "high"),
    [
        (81, 263, 0.255289, 0.366210),
        (15, 148, 0.062386, 0.160487),
        (0, 20, 0, 0.161125),
        (1, 29, 0.006113, 0.171755),
    ],
)
def test_wilsons_intervals_are_newcombes(hits, count, low, high):
    # Newcombe, Stat. Med. 17:857, 1998.
    month = rates(visits("2026-05", 0.3, hits, count))[1]
    assert (month["rate_low"], month["rate_high"]) == pytest.approx((low, high), abs=1e-6)


@pytest.mark.parametrize("hits", range(5))
def test_the_tails_are_those_of_every_outcome_counted_out(hits):
    likelihoods = np.array([0.1, 0.5, 0.9, 0.35])
    counted = np.zeros(5)
    for found in product([0, 1], repeat=4):
        counted[sum(found)] += np.prod(np.where(found, likelihoods, 1 - likelihoods))
    smaller = min(counted[: hits + 1].sum(), counted[hits:].sum())
    assert drift_p(likelihoods, hits, 1.0) == pytest.approx(min(1, 2 * smaller))


@pytest.mark.parametrize("hits", [0, 9, 14, 17, 20])
def test_equal_likelihoods_are_the_binomial_test(hits):
    tails = [stats.binomtest(hits, 20, 0.7, side).pvalue for side in ("less", "greater")]
    assert drift_p(np.full(20, 0.7), hits, 1.0) == pytest.approx(min(1, 2 * min(tails)))


def test_no_visits_leave_nothing_to_be_off_by():
    assert hits_interval(np.array([]), OWN) == (0, 0)
    assert drift_p(np.array([]), 0, OWN.surest) == 1


def test_what_lies_outside_the_interval_is_what_the_test_rejects():
    likelihoods = np.random.default_rng(4).uniform(0.3, 0.99, 60)
    low, high = hits_interval(likelihoods, OWN)
    inside = [hits for hits in range(61) if drift_p(likelihoods, hits, OWN.surest) > OWN.alpha]
    assert (inside[0], inside[-1]) == (low, high)


def test_one_wrong_record_of_a_certain_home_is_no_drift_and_a_few_are():
    certain = np.full(20, 0.999999)
    assert drift_p(certain, 19, OWN.surest) > OWN.alpha
    assert drift_p(certain, 16, OWN.surest) < OWN.alpha


def test_certain_promises_that_all_hold_are_no_drift_however_many():
    assert drift_p(np.full(600, 0.9999), 600, OWN.surest) > OWN.alpha


def test_a_month_that_finds_far_too_few_or_too_many_is_flagged_and_its_neighbours_are_not():
    told = rates(
        visits("2026-04", 0.8, 24, 30), visits("2026-05", 0.8, 12, 30), visits("2026-06", 0.4, 27, 30)
    )
    assert {row["month"]: row["drift"] for row in told[1:]} == {
        "2026-04": None, "2026-05": TOO_FEW, "2026-06": TOO_MANY,
    }  # fmt: skip


def test_a_small_shortfall_in_every_month_shows_in_all_together():
    told = rates(*(visits(f"2026-0{month}", 0.8, 21, 30) for month in range(1, 7)))
    assert told[0]["drift"] == TOO_FEW
    assert [row["drift"] for row in told[1:]] == [None] * 6


def test_months_that_hold_are_seldom_flagged():
    rng = np.random.default_rng(12)
    flagged = 0
    for _ in range(200):
        likelihoods = rng.beta(5, 1.5, (6, 25))
        hits = (rng.uniform(size=likelihoods.shape) < likelihoods).sum(axis=1)
        flagged += any(
            holm([drift_p(p, int(k), OWN.surest) for p, k in zip(likelihoods, hits, strict=True)], OWN.alpha)
        )
    assert flagged <= stats.binom(200, OWN.alpha).ppf(0.9999)


def test_another_cause_counts_neither_way_but_is_shown():
    month = rates(visits("2026-05", 0.8, 8, 10), visits("2026-05", 0.8, 0, 3, left_out=OTHER_CAUSE))[1]
    assert (month["visits"], month["others"], month["promised"]) == (10, 3, pytest.approx(8))


def test_a_month_of_other_causes_only_has_no_rate():
    told = rates(visits("2026-04", 0.8, 8, 10), visits("2026-05", 0.8, 0, 3, left_out=OTHER_CAUSE))
    assert (told[2]["visits"], told[2]["rate"], told[2]["rate_low"], told[2]["drift"]) == (
        0,
        None,
        None,
        None,
    )


def test_the_desk_is_counted_apart():
    told = rates(visits("2026-05", 0.8, 8, 10), visits("2026-05", 0.9, 2, 4, way="office"))
    assert [(row["fix_by"], row["month"], row["visits"]) for row in told] == [
        ("visit", None, 10), ("visit", "2026-05", 10), ("office", None, 4), ("office", "2026-05", 4),
    ]  # fmt: skip


def test_no_visit_gives_no_rows():
    none = hit_rate(pl.DataFrame(schema=PROMISE), OWN)
    assert (none.height, none.schema) == (0, SCHEMA)
