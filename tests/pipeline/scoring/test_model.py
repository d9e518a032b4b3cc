"""The model: likelihoods that are sums over probes, shares that sum to one, an id that any change moves."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from scored_homes import homes, unseen_fleet

from pipeline.core.contract import SOUND
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.learning.labelled import Labelled
from pipeline.probes import names_of
from pipeline.probes.measured import Measured, measure
from pipeline.scoring.design import Design, columns, leg_design, symmetric_design
from pipeline.scoring.innocent import A_FAULT, CAUSES, NOTHING
from pipeline.scoring.model import Model, fault_columns, softmax
from pipeline.scoring.normal import Deviations, measure_deviations
from pipeline.scoring.trees import Trees

NAMES = names_of(2)

BASE_RATE = load_settings().verdict.base_rate


@pytest.fixture(scope="module")
def seen(fleet: Labelled, model: Model) -> tuple[Measured, Deviations]:
    measured = measure(fleet.signals)
    return measured, measure_deviations(measured, unseen_fleet(model).normal)


@pytest.fixture(scope="module")
def design(seen: tuple[Measured, Deviations]) -> Design:
    return symmetric_design(*seen)


def test_the_shipped_model_fits_the_catalogue_and_this_versions_probes(model: Model) -> None:
    assert model.faults == tuple(sorted(CATALOGUE))
    assert set(model.innocents) <= {NOTHING, A_FAULT, *CAUSES}
    assert NOTHING in model.innocents
    assert (model.columns, model.leg_columns) == columns()
    assert model.shipped_normal


def test_what_the_probes_add_is_the_score(model: Model, design: Design) -> None:
    """The log odds are those of the trees, stretched and moved as calibrated."""
    by_probe = model.probe_terms(design.rows)

    assert by_probe.shape == (len(design.rows), len(NAMES))
    plain = model.any_fault.terms(design.rows, len(NAMES)).sum(axis=(1, 2)) + model.any_fault.start[0]
    calibrated = replace(model, probe_slope={})
    assert calibrated.log_odds(design.rows) == pytest.approx(model.slope * plain + model.intercept)
    assert model.log_odds(design.rows) == pytest.approx(by_probe.sum(axis=1) + model.base_log_odds)


def test_a_probes_own_slope_stretches_what_it_says_and_nothing_else(model: Model, design: Design) -> None:
    at = NAMES.index("nights")
    before, after = (
        replace(model, probe_slope={"nights": slope}).probe_terms(design.rows) for slope in (1.0, 0.5)
    )

    assert after[:, at] == pytest.approx(before[:, at] / 2)
    np.testing.assert_array_equal(np.delete(after, at, axis=1), np.delete(before, at, axis=1))
    assert np.abs(before[:, at]).max() > 0.1


def test_every_share_is_a_share_of_one(
    model: Model, seen: tuple[Measured, Deviations], design: Design
) -> None:
    faults = model.fault_shares(model.which_terms(design.rows))
    innocent = model.innocent_shares(design.rows)
    ends = [leg_design(*seen, is_exchanged).rows for is_exchanged in (False, True)]
    legs = model.leg_shares(ends, faults.argmax(axis=1))

    for share, width in ((faults, len(model.faults)), (innocent, len(model.innocents)), (legs, 3)):
        assert share.shape == (len(design.rows), width)
        assert (share >= 0).all()
        assert share.sum(axis=1) == pytest.approx(1)


def test_a_home_with_its_legs_exchanged_has_the_legs_of_its_fault_exchanged(
    model: Model, seen: tuple[Measured, Deviations]
) -> None:
    as_is, exchanged = (leg_design(*seen, is_exchanged).rows for is_exchanged in (False, True))
    fault = np.arange(len(as_is)) % len(model.faults)

    one = model.leg_shares([as_is, exchanged], fault)
    other = model.leg_shares([exchanged, as_is], fault)

    assert other == pytest.approx(one[:, [1, 0, 2]])


def test_the_mix_of_faults_shares_out_the_likelihood(model: Model, design: Design) -> None:
    dead, partial = model.faults.index("dead"), model.faults.index("partial")
    terms = model.which_terms(design.rows)
    uneven = {name: 0.1 / (len(model.faults) - 1) for name in model.faults} | {"dead": 0.9}

    even, moved = (replace(model, fault_mix=mix).fault_shares(terms) for mix in ({}, uneven))

    ratio = np.log(moved[:, dead] / moved[:, partial]) - np.log(even[:, dead] / even[:, partial])
    assert ratio == pytest.approx(np.log(0.9 / uneven["partial"]))
    assert replace(model, fault_mix=uneven).mix() == uneven
    assert sum(model.mix().values()) == pytest.approx(1)


def test_the_fleets_own_base_rate_comes_before_the_usual_one(model: Model) -> None:
    assert replace(model, base_rate=None).rate(0.05) == 0.05
    assert replace(model, base_rate=0.11).rate(0.05) == 0.11


def test_a_home_nothing_is_known_of_is_near_the_base_rate(model: Model) -> None:
    """Near, and never more than twice over."""
    right = homes([{}])
    kept = (
        "site_id",
        "service",
        "is_",
        "has_",
        "length_min",
        "cts_per_leg",
        "lead_extended",
        "expected_gain",
    )
    blank = right.with_columns(
        pl.lit(None).cast(kind).alias(name)
        for name, kind in right.schema.items()
        if not name.startswith(kept)
    ).with_columns(nights=pl.lit(0))
    measured = measure(blank)
    (log_odds,) = model.log_odds(
        symmetric_design(measured, measure_deviations(measured, unseen_fleet(model).normal)).rows
    )

    odds = np.exp(log_odds) * BASE_RATE / (1 - BASE_RATE)
    assert BASE_RATE / 4 < odds / (1 + odds) < 2 * BASE_RATE


def test_no_homes_have_no_likelihoods(model: Model) -> None:
    nobody = measure(homes([{}])[:0])
    rows = symmetric_design(nobody, measure_deviations(nobody, {})).rows

    assert model.probe_terms(rows).shape == (0, len(NAMES))
    assert model.which_terms(rows).shape == (0, len(model.faults), len(NAMES))


def test_the_id_is_that_of_everything_that_moves_a_likelihood(model: Model) -> None:
    def moved(trees: Trees) -> Trees:
        value = trees.value.copy()
        value[-1] += 1e-9
        return replace(trees, value=value)

    key = next(iter(model.shipped_normal))
    normal = {**model.shipped_normal, key: replace(model.shipped_normal[key], spread=1.25)}
    others = [
        replace(model, any_fault=moved(model.any_fault)), replace(model, which=moved(model.which)),
        replace(model, leg=moved(model.leg)), replace(model, innocent=moved(model.innocent)),
        replace(model, slope=model.slope + 1e-6), replace(model, intercept=model.intercept + 1e-6),
        replace(model, probe_slope={"sun": 0.9}), replace(model, base_rate=0.07),
        replace(model, fault_mix={"dead": 0.2}), replace(model, shipped_normal=normal),
    ]  # fmt: skip

    assert replace(model).model_id == model.model_id
    assert replace(model, recipe={"seed": 99}, against_shipped={"won": True}).model_id == model.model_id
    ids = sorted([model.model_id, *(other.model_id for other in others)])
    assert all(one != next_one for one, next_one in pairwise(ids))


def test_a_row_has_the_same_digits_whoever_stands_beside_it() -> None:
    rng = np.random.default_rng(3)
    score = rng.normal(0, 5, (40, 7))

    whole = softmax(score)

    for at in range(40):
        assert softmax(score[at : at + 1]).tobytes() == whole[at : at + 1].tobytes()
    assert fault_columns(np.array([2, 0]), 3).tolist() == [[0, 0, 1], [1, 0, 0]]
    assert SOUND not in CATALOGUE
