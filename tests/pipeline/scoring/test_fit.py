"""Fitting the trees: classes in order, one probe a leaf, directions held, the same data the same trees."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.core.settings import load_settings
from pipeline.probes import names_of
from pipeline.scoring.design import Design
from pipeline.scoring.fit import fit_trees

NAMES = names_of(2)

OWN = load_settings().training.model_copy(update={"fewest_in_leaf": 5, "leaves": 4, "learning_rate": 0.2})
SUN, NIGHTS = NAMES.index("sun"), NAMES.index("nights")


def drawn(seed: int) -> tuple[Design, NDArray[np.str_]]:
    """Four hundred homes: more sun and less night speak for a fault, and a record that reverses neither."""
    rng = np.random.default_rng(seed)
    rows = rng.normal(0, 1, (400, 3))
    rows[:, 2] = rng.integers(0, 2, 400)
    score = rows[:, 0] - rows[:, 1] + rng.normal(0, 1.5, 400)
    rows[rng.random(400) < 0.1, 0] = np.nan
    design = Design(rows, ("sun.a", "nights.b", "register.c"), ("sun", "nights", "register"), (1, -1, 0))
    return design, np.where(score > 0, "1", "0")


def test_of_two_classes_the_trees_speak_for_the_later_one() -> None:
    design, labels = drawn(1)
    trees, classes = fit_trees(design, labels, np.ones(400), settings=OWN, rounds=10, is_one_sided=True)

    said = trees.terms(design.rows, len(NAMES)).sum(axis=(1, 2)) + trees.start[0]

    assert classes == ("0", "1")
    assert trees.classes == 1
    assert said[labels == "1"].mean() > said[labels == "0"].mean() + 0.5


def test_of_two_classes_each_may_have_its_score() -> None:
    """A fleet's faults may be of two kinds only; their shares are asked for like any others."""
    design, labels = drawn(1)
    one = fit_trees(design, labels, np.ones(400), settings=OWN, rounds=10, is_one_sided=True)[0]
    both = fit_trees(design, labels, np.ones(400), settings=OWN, rounds=10)[0]

    score = both.terms(design.rows, len(NAMES)).sum(axis=2) + both.start
    assert score.shape == (400, 2)
    assert score[:, 1] - score[:, 0] == pytest.approx(
        one.terms(design.rows, len(NAMES)).sum(axis=(1, 2)) + one.start[0]
    )


def test_each_class_has_its_own_trees() -> None:
    design, labels = drawn(2)
    three = np.where(design.rows[:, 2] > 0, "b", np.where(labels == "1", "c", "a"))

    trees, classes = fit_trees(design, three, np.ones(400), settings=OWN, rounds=5)

    assert classes == ("a", "b", "c")
    assert trees.root.size == 15
    assert np.bincount(trees.of_class).tolist() == [5, 5, 5]
    best = trees.terms(design.rows, len(NAMES)).sum(axis=2) + trees.start
    assert (np.array(classes)[best.argmax(axis=1)] == three).mean() > 0.7


def test_only_the_probes_that_were_asked_say_something() -> None:
    design, labels = drawn(3)
    trees, _ = fit_trees(design, labels, np.ones(400), settings=OWN, rounds=10)

    by_probe = np.abs(trees.terms(design.rows, len(NAMES))).sum(axis=(0, 1))

    assert set(np.flatnonzero(by_probe).tolist()) <= {SUN, NIGHTS, NAMES.index("register")}
    assert min(by_probe[SUN], by_probe[NIGHTS]) > 0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_held_directions_are_never_gone_against(seed: int) -> None:
    """More sun never lowers, more night never raises, whatever chance would say."""
    design, labels = drawn(seed)
    trees, _ = fit_trees(design, labels, np.ones(400), settings=OWN, rounds=30, is_monotone=True)
    steps = np.linspace(-4, 4, 200)

    for record in (0.0, 1.0):
        rows = np.column_stack([steps, np.zeros(200), np.full(200, record)])
        assert (np.diff(trees.terms(rows, len(NAMES))[:, 0, SUN]) >= -1e-12).all()
        rows = np.column_stack([np.zeros(200), steps, np.full(200, record)])
        assert (np.diff(trees.terms(rows, len(NAMES))[:, 0, NIGHTS]) <= 1e-12).all()


def test_a_home_that_counts_for_nothing_moves_nothing() -> None:
    design, labels = drawn(4)
    weights = np.ones(400)
    weights[200:] = 0.0
    turned = labels.copy()
    turned[200:] = np.where(labels[200:] == "1", "0", "1")

    one, other = (
        fit_trees(replace(design), told, weights, settings=OWN, rounds=5)[0] for told in (labels, turned)
    )

    for part in fields(one):
        np.testing.assert_array_equal(getattr(one, part.name), getattr(other, part.name))


def test_what_no_home_knows_is_not_asked() -> None:
    design, labels = drawn(6)
    rows = design.rows.copy()
    rows[:, 1] = np.nan

    trees, _ = fit_trees(replace(design, rows=rows), labels, np.ones(400), settings=OWN, rounds=5)

    assert 1 not in trees.feature
    assert np.isnan(rows[:, 1]).all()


def test_the_same_homes_give_the_same_trees() -> None:
    once, again = (fit_trees(*drawn(5), np.ones(400), settings=OWN, rounds=5)[0] for _ in range(2))

    for part in fields(once):
        assert getattr(once, part.name).tobytes() == getattr(again, part.name).tobytes()
