"""The additive model: likelihoods that sum to one, explain themselves, and come back from disk."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import classifier
from pipeline.classifier import EDGES, STEPS, Model, encode
from pipeline.contract import SOUND
from pipeline.errors import InputError
from pipeline.evidence import all_pieces
from pipeline.faults import CATALOGUE
from pipeline.settings import load_settings

BASE_RATE = load_settings().verdict.base_rate
PIECES = tuple(piece.name for _, piece in all_pieces(CATALOGUE))


@pytest.fixture(scope="module")
def small() -> Model:
    """Two pieces, two faults: piece `turned` speaks for reversed, `silent` for dead."""
    rng = np.random.default_rng(1)
    labels = np.array(["reversed", "dead", SOUND, SOUND] * 50)
    values = rng.uniform(0.0, 0.3, (200, 2))
    values[labels == "reversed", 0] = rng.uniform(0.7, 1.0, 50)
    values[labels == "dead", 1] = rng.uniform(0.7, 1.0, 50)
    return classifier.fit(values, labels, np.ones(200), ("turned", "silent"), 1.0, {"seed": 1})


def test_a_piece_for_sound_speaks_both_ways() -> None:
    low, high, unknown = encode(np.array([[0.2], [1.0], [np.nan]]), np.array([True]))

    assert len(EDGES) + 1 == STEPS
    assert low.tolist() == [pytest.approx(-0.3), *(0.5 if edge < 0.2 else -0.5 for edge in EDGES)]
    assert high.tolist() == [0.5] * STEPS
    assert unknown.tolist() == [0.0] * STEPS


def test_a_piece_of_a_fault_speaks_only_as_far_as_it_fires() -> None:
    """Its silence is no evidence for another fault: 0 and cannot tell both add nothing."""
    silent, half, unknown = encode(np.array([[0.0], [0.5], [np.nan]]), np.array([False]))

    assert silent.tolist() == unknown.tolist() == [0.0] * STEPS
    assert half.tolist() == [0.5, *(1.0 if edge < 0.5 else 0.0 for edge in EDGES)]


@settings(max_examples=30, deadline=None)
@given(
    rows=st.lists(
        st.lists(st.one_of(st.floats(0, 1), st.just(float("nan"))), min_size=2, max_size=2),
        min_size=1,
        max_size=5,
    ),
    base_rate=st.floats(0.001, 0.6),
)
def test_likelihoods_are_shares_of_one(small: Model, rows: list[list[float]], base_rate: float) -> None:
    share = small.likelihoods(np.array(rows), base_rate)

    assert share.shape == (len(rows), 3)
    assert (share >= 0).all()
    assert share.sum(axis=1) == pytest.approx(1)


def test_evidence_moves_the_likelihood_its_way(small: Model) -> None:
    calm, turned, silent = small.likelihoods(np.array([[0.1, 0.1], [0.9, 0.1], [0.1, 0.9]]), 0.25)
    sound, dead, reversed_ = (small.classes.index(name) for name in (SOUND, "dead", "reversed"))

    assert calm[sound] > 0.9
    assert turned[reversed_] > 0.5 > turned[dead]
    assert silent[dead] > 0.5 > silent[reversed_]


def test_prior_and_contributions_add_up_to_the_score(small: Model) -> None:
    """log(likelihood of the fault / likelihood of sound) is the prior's plus one weight a piece."""
    values = np.array([[0.4, np.nan]])
    share = small.likelihoods(values, BASE_RATE)[0]
    fault, sound = small.classes.index("reversed"), small.classes.index(SOUND)

    start, added = small.against_sound(values, ["reversed"], BASE_RATE)

    assert np.log(share[fault] / share[sound]) == pytest.approx(start[0] + added[0].sum())


def test_the_prior_is_that_of_the_fleet_and_not_of_the_training_mix(small: Model) -> None:
    often, rarely = small.prior(0.5), small.prior(0.05)
    fault, sound = small.classes.index("dead"), small.classes.index(SOUND)

    moved = (often[fault] - often[sound]) - (rarely[fault] - rarely[sound])
    assert moved == pytest.approx(np.log(0.5 / 0.5) - np.log(0.05 / 0.95))


def test_full_weights_favour_a_faults_own_piece(small: Model) -> None:
    weights = small.full_weights("reversed")

    assert weights["turned"] > weights["silent"]
    assert weights["turned"] > 1


def test_a_home_nothing_is_known_of_is_near_the_base_rate() -> None:
    """The shipped model: near, and never more than twice over."""
    shipped = classifier.load(None, PIECES)
    share = shipped.likelihoods(np.full((1, len(shipped.pieces)), np.nan), BASE_RATE)[0]

    likelihood = 1 - share[shipped.classes.index(SOUND)]
    assert BASE_RATE / 4 < likelihood < 2 * BASE_RATE


def test_the_shipped_model_fits_the_catalogue() -> None:
    shipped = classifier.load(None, PIECES)

    assert sorted(shipped.classes) == sorted((*CATALOGUE, SOUND))
    assert shipped.recipe["seed"] is not None


def test_a_model_comes_back_as_it_was(small: Model, tmp_path: Path) -> None:
    tempered = replace(small, two_sided=("silent",), stretch={"dead": 1.3}, offset={"dead": -0.2})
    classifier.save(tempered, tmp_path)

    back = classifier.load(tmp_path, ("turned", "silent"))

    values = np.array([[0.2, 0.9], [np.nan, 0.5]])
    assert back.model_id == tempered.model_id != small.model_id
    assert (back.pieces, back.two_sided, back.stretch, back.offset, back.recipe) == (
        ("turned", "silent"),
        ("silent",),
        {"dead": 1.3},
        {"dead": -0.2},
        {"seed": 1},
    )
    np.testing.assert_array_equal(
        back.likelihoods(values, BASE_RATE), tempered.likelihoods(values, BASE_RATE)
    )


def refusal(folder: Path, pieces: tuple[str, ...] | None = None) -> str:
    """The one line with which loading is refused."""
    with pytest.raises(InputError) as told:
        classifier.load(folder, pieces)
    assert "\n" not in str(told.value)
    assert "nightclamp train" in str(told.value)
    return str(told.value)


def test_a_model_for_other_evidence_is_refused(small: Model, tmp_path: Path) -> None:
    classifier.save(small, tmp_path)

    assert "trained on other evidence than this version's (noisy, silent)" in refusal(
        tmp_path, ("turned", "noisy")
    )
    assert "their order" in refusal(tmp_path, ("silent", "turned"))


@pytest.mark.parametrize("edges", [(*EDGES, 0.99), (EDGES[0] / 2, *EDGES[1:])])
def test_a_model_of_another_encoding_is_refused(
    small: Model, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, edges: tuple[float, ...]
) -> None:
    """The same evidence, but fitted on other steps of it than this version spreads it over."""
    classifier.save(small, tmp_path)
    monkeypatch.setattr(classifier, "EDGES", edges)
    monkeypatch.setattr(classifier, "STEPS", len(edges) + 1)

    refusal(tmp_path, small.pieces)


def test_no_homes_have_no_likelihoods(small: Model) -> None:
    assert small.likelihoods(np.empty((0, 2)), BASE_RATE).shape == (0, 3)
