"""The trees as plain arrays say what scikit-learn's own say, and every leaf belongs to one probe."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier

from pipeline.scoring.trees import Trees, trees_of_predictors

Float = NDArray[np.float64]
REGISTER, PROBES = 0, 4
PROBE = np.array([REGISTER, 1, 1, 2, 2, 3], dtype=np.int32)  # of each of six columns


def drawn(seed: int, homes: int, classes: int) -> tuple[Float, NDArray[np.int64]]:
    """Six columns with values missing here and there, and a class that depends on most of them."""
    rng = np.random.default_rng(seed)
    rows = rng.normal(0, 1, (homes, PROBE.size))
    rows[:, 0] = rng.integers(0, 2, homes)
    score = rows[:, 1] + rows[:, 0] * rows[:, 3] - rows[:, 4] ** 2 + rng.normal(0, 0.5, homes)
    rows[rng.random(rows.shape) < 0.15] = np.nan
    labels = np.searchsorted(np.quantile(score, np.arange(1, classes) / classes), score)
    return rows, labels.astype(np.int64)


def fitted(
    rows: Float, labels: NDArray[np.int64], *, is_apart: bool = True
) -> tuple[HistGradientBoostingClassifier, Float]:
    groups = [{0, 1, 2}, {0, 3, 4}, {0, 5}] if is_apart else None
    made = HistGradientBoostingClassifier(
        max_iter=15, max_leaf_nodes=6, min_samples_leaf=5, interaction_cst=groups, early_stopping=False,
        random_state=0,
    ).fit(rows, labels)  # fmt: skip
    return made, np.atleast_1d(np.asarray(made._baseline_prediction, dtype=np.float64).ravel())


@pytest.mark.parametrize("classes", [2, 3, 5])
@pytest.mark.parametrize("seed", [1, 2])
def test_terms_add_up_to_what_scikit_learn_says(seed: int, classes: int) -> None:
    made, start = fitted(*drawn(seed, 600, classes))
    trees = trees_of_predictors(made._predictors, start, PROBE, register=REGISTER)
    fresh, _ = drawn(seed + 100, 1500, classes)  # more than one block of homes

    said = trees.terms(fresh, PROBES).sum(axis=2) + trees.start

    theirs = made.decision_function(fresh).reshape(len(fresh), -1)
    assert trees.classes == theirs.shape[1]
    np.testing.assert_allclose(said, theirs, rtol=0, atol=1e-9)


@pytest.fixture(scope="module")
def trees() -> Trees:
    made, start = fitted(*drawn(7, 600, 3))
    return trees_of_predictors(made._predictors, start, PROBE, register=REGISTER)


def test_on_the_way_to_a_leaf_one_probe_is_asked_and_the_leaf_is_its(trees: Trees) -> None:
    def leaves(node: int, asked: frozenset[int]) -> list[tuple[int, frozenset[int]]]:
        if trees.feature[node] < 0:
            return [(int(trees.probe[node]), asked)]
        more = asked | {int(PROBE[trees.feature[node]])}
        return leaves(int(trees.left[node]), more) + leaves(int(trees.right[node]), more)

    ends = [end for root in trees.root for end in leaves(int(root), frozenset())]

    assert len(ends) == int((trees.feature < 0).sum())
    for probe, asked in ends:
        assert asked - {REGISTER} in ({probe}, frozenset())
        assert probe != REGISTER or asked <= {REGISTER}
    assert {probe for probe, _ in ends} >= {1, 2}


def test_what_a_probe_adds_depends_on_its_own_columns_and_the_registers_only(trees: Trees) -> None:
    rows, _ = drawn(8, 200, 3)
    before = trees.terms(rows, PROBES)

    for probe in (1, 2, 3):
        other = rows.copy()
        strange = ~np.isin(PROBE, (probe, REGISTER))
        other[:, strange] = np.random.default_rng(9).normal(0, 9, (200, int(strange.sum())))
        np.testing.assert_array_equal(trees.terms(other, PROBES)[:, :, probe], before[:, :, probe])


def test_trees_that_mix_probes_are_refused() -> None:
    made, start = fitted(*drawn(1, 600, 2), is_apart=False)

    with pytest.raises(ValueError, match="rests on two probes"):
        trees_of_predictors(made._predictors, start, PROBE, register=REGISTER)


def test_a_home_alone_has_the_terms_it_has_among_others(trees: Trees) -> None:
    rows, _ = drawn(8, 50, 3)
    whole = trees.terms(rows, PROBES)

    for at in range(len(rows)):
        assert trees.terms(rows[at : at + 1], PROBES).tobytes() == whole[at : at + 1].tobytes()
    assert trees.terms(rows[:0], PROBES).shape == (0, 3, PROBES)
