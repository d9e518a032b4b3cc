"""Net benefit, the curve from likelihoods alone, and the cut that follows from the fleet's costs."""

import numpy as np
import polars as pl
import pytest

from pipeline.core.settings import load_settings
from pipeline.worklist.decision_curve import (
    CURVE,
    confirmed_curve,
    decision_curve,
    expected_curve,
    list_cut,
    net_benefit,
)
from pipeline.worklist.expected_value import SCHEMA as WORTH
from pipeline.worklist.prediction_log import SCHEMA as PROMISE

OWN = load_settings().hit_rate.model_copy(update={"min_visits": 4})


def homes(*rows, **same):
    """Table worth of (likelihood, verdict, value_true, value_cost, needless_cost) homes."""
    names = ("likelihood", "verdict", "value_true", "value_cost", "needless_cost")
    told = [
        {"site_id": f"h{at}", "fix_by": "visit"} | dict(zip(names, row, strict=True)) | same
        for at, row in enumerate(rows)
    ]
    frame = pl.DataFrame(told, schema=WORTH)
    extra = pl.col("needless_cost") - pl.col("value_cost")
    p = pl.col("likelihood")
    return frame.with_columns(
        (p * pl.col("value_true") - pl.col("value_cost") - (1 - p) * extra).alias("priority")
    )


def visits(*likely_found, left_out=None):
    rows = [
        {"visit_id": f"V{at}", "fix_by": "visit", "likelihood": p, "is_hit": is_hit, "left_out": left_out}
        for at, (p, is_hit) in enumerate(likely_found)
    ]
    return pl.DataFrame(rows, schema=PROMISE)


@pytest.mark.parametrize(
    ("true", "false", "threshold", "published"),
    [(80, 180, 0.1, 0.060), (60, 40, 0.2, 0.050), (100, 900, 0.2, -0.125)],
)
def test_published_net_benefits(true, false, threshold, published):
    # Vickers & Elkin, Med. Decis. Making 26:565, 2006; n = 1000, the last visits all with 100 faulty among them.
    assert net_benefit(float(true), float(false), 1000, threshold=threshold) == pytest.approx(published)


def test_the_curve_from_likelihoods_is_the_published_sum_over_the_homes_above():
    likelihoods, thresholds = np.array([0.05, 0.3, 0.3, 0.9]), np.array([0.1, 0.3, 0.5, 0.95])
    model, every = expected_curve(likelihoods, thresholds)
    for at, t in enumerate(thresholds):
        above = likelihoods[likelihoods >= t]
        assert model[at] == pytest.approx((above.sum() - (1 - above).sum() * t / (1 - t)) / 4)
        assert every[at] == pytest.approx((1.55 - 2.45 * t / (1 - t)) / 4)


def test_visiting_by_likelihood_is_never_worse_than_all_or_nobody():
    likelihoods = np.random.default_rng(2).beta(0.4, 2, 500)
    model, every = expected_curve(likelihoods, np.arange(1, 100) / 100)
    assert (model >= every - 1e-12).all()
    assert (model >= -1e-12).all()


def test_homes_drawn_from_the_likelihoods_confirm_the_curve():
    rng = np.random.default_rng(8)
    likelihoods, thresholds = rng.uniform(0, 1, 20_000), np.array([0.2, 0.5, 0.8])
    found, se = confirmed_curve(likelihoods, rng.uniform(0, 1, 20_000) < likelihoods, thresholds)
    model, _ = expected_curve(likelihoods, thresholds)
    assert (np.abs(found - model) < 3.5 * se).all()


def test_visits_confirm_once_there_are_enough_and_only_those_that_test_a_promise():
    worth = homes((0.9, "suspect", 500, 100, 200), (0.1, "sound", 500, 100, 200))
    few = decision_curve(worth, visits((0.9, True), (0.8, False), (0.7, True)), OWN)
    left = decision_curve(worth, visits(*[(0.9, True)] * 9, left_out="another cause found"), OWN)
    enough = decision_curve(worth, visits((0.9, True), (0.8, False), (0.7, True), (0.4, True)), OWN)
    assert few["confirmed"].null_count() == left["confirmed"].null_count() == 99
    at_half = enough.filter(pl.col("threshold") == 0.5).row(0, named=True)
    assert at_half["confirmed"] == pytest.approx((2 - 1) / 4)
    assert at_half["promised"] == pytest.approx((2.4 - 0.6) / 4)
    assert at_half["confirmed_low"] < at_half["confirmed"] < at_half["confirmed_high"]


def test_without_homes_there_is_no_curve():
    none = decision_curve(homes(), visits(), OWN)
    assert (none.height, none.schema) == (0, CURVE)


def test_the_cut_follows_from_costs_and_is_where_the_expected_value_turns():
    worth = homes(*[(p, "unproven", 500.0, 100.0, 200.0) for p in (0.2, 0.3, 0.4, 0.9)])
    cut = list_cut(worth, worth.filter(pl.col("priority") > 0)).row(0, named=True)
    assert cut["threshold"] == pytest.approx(200 / (200 + 400))
    assert worth.filter(pl.col("priority") > 0)["likelihood"].to_list() == [0.4, 0.9]
    assert cut["value_listed"] == pytest.approx(cut["value_shared"])
    assert cut["net_benefit_listed"] == pytest.approx((1.3 - 0.7 * 0.5) / 4)
    assert (cut["listed"], cut["expected_true"]) == (2, pytest.approx(1.3))


def test_cuts_of_their_own_are_worth_more_than_one_for_all():
    worth = homes(
        (0.25, "unproven", 2000, 100, 200), (0.6, "suspect", 150, 100, 200), (0.9, "suspect", 600, 100, 200)
    )
    cut = list_cut(worth, worth.filter(pl.col("priority") > 0)).row(0, named=True)
    assert cut["value_listed"] > cut["value_shared"]


def test_where_no_visit_pays_there_is_no_cut():
    worth = homes((0.9, "suspect", 80, 100, 200))
    visit, office = list_cut(worth, worth.clear()).to_dicts()
    assert (visit["threshold"], visit["needless_cost"]) == (None, 200)
    assert (office["homes"], office["needless_cost"]) == (0, None)
