"""Fits the heads of a model: boosted trees that may ask of one probe at a time, beside what the register says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.core.setting_sections import TrainingSettings
from pipeline.probes import NAMES
from pipeline.scoring.design import Design
from pipeline.scoring.trees import Trees, trees_of_predictors

Float = NDArray[np.float64]
REGISTER = NAMES.index("register")


def fit_trees(
    design: Design,
    labels: NDArray[np.str_],
    weights: Float,
    *,
    settings: TrainingSettings,
    rounds: int,
    is_monotone: bool = False,
    is_one_sided: bool = False,
) -> tuple[Trees, tuple[str, ...]]:
    """Return the trees and the classes they tell apart, sorted.

    Parameters
    ----------
    design
        Homes (n, columns).
    labels, weights
        The class of each home, and how much it counts, (n,).
    settings, rounds
        [training]: size of the trees, learning rate, L2 penalty; and how many trees a class.
    is_monotone
        Hold the directions that the design names; of two classes only.
    is_one_sided
        Of two classes the trees speak for the later one only; else each class has its score.
    """
    from sklearn.ensemble import HistGradientBoostingClassifier  # long to load, and a night fits nothing

    probe = np.array([NAMES.index(name) for name in design.probes], dtype=np.int32)
    known = sorted({*probe.tolist(), REGISTER})
    groups = [
        set(np.flatnonzero((probe == number) | (probe == REGISTER)).tolist())
        for number in known
        if number != REGISTER
    ]
    estimator = HistGradientBoostingClassifier(
        max_iter=rounds,
        learning_rate=settings.learning_rate,
        max_leaf_nodes=settings.leaves,
        min_samples_leaf=settings.fewest_in_leaf,
        l2_regularization=settings.l2_penalty,
        interaction_cst=groups,
        monotonic_cst=list(design.monotone) if is_monotone else None,
        early_stopping=False,
        random_state=0,
    )
    rows, is_empty = design.rows, np.isnan(design.rows).all(axis=0)
    if is_empty.any():  # a column that no home knows has no bins; as a constant no tree asks of it
        rows = rows.copy()
        rows[:, is_empty] = 0.0
    estimator.fit(rows, labels, sample_weight=weights)
    start = np.atleast_1d(np.asarray(estimator._baseline_prediction, dtype=np.float64).ravel())
    trees = trees_of_predictors(estimator._predictors, start, probe, register=REGISTER)
    if trees.classes == 1 and not is_one_sided:  # a score for each class, 0 for the first
        scores = np.array([0.0, float(trees.start[0])])
        trees = replace(trees, of_class=np.ones_like(trees.of_class), start=scores)
    return trees, tuple(str(name) for name in estimator.classes_)
