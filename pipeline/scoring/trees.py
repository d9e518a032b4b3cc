"""Boosted trees as plain arrays, additive by probe: what each probe adds to each class of each home.

On its way down a tree a home is asked of one probe only, besides what the register says; a leaf's value belongs to that
probe. So a home's score is a sum over probes, exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.features.kernels.compiled import entry

Float = NDArray[np.float64]
Int = NDArray[np.int32]
BLOCK = 1024


@dataclass(frozen=True)
class Trees:
    """A forest: nodes in one run, a tree's children after their parent.

    `feature` (nodes,) is the column asked, -1 at a leaf; `threshold` (nodes,): up to it a home goes `left`, else
    `right`, without a value where `missing_left` says. `value` [log odds] and `probe` count at leaves. `root` (trees,)
    is where each tree begins and `of_class` (trees,) which class it speaks of. `start` [log odds] (classes,) comes
    before any tree.
    """

    feature: Int
    threshold: Float
    left: Int
    right: Int
    missing_left: NDArray[np.bool_]
    value: Float
    probe: Int
    root: Int
    of_class: Int
    start: Float

    @property
    def classes(self) -> int:
        """Number of classes it tells apart (1: for against all else)."""
        return int(self.start.size)

    def terms(self, rows: Float, probes: int) -> Float:
        """Return what each probe adds to each class [log odds], (n, classes, probes), for rows (n, columns)."""
        terms = np.zeros((len(rows), self.classes, probes))
        if len(rows):
            _add_terms(  # type: ignore[no-untyped-call]  # compiled
                np.asfortranarray(rows), self.feature, self.threshold, self.left, self.right, self.missing_left,
                self.value, self.probe, self.root, self.of_class, terms,
            )  # fmt: skip
        return terms


@entry
def _add_terms(rows, feature, threshold, left, right, missing_left, value, probe, root, of_class, found):  # type: ignore[no-untyped-def]
    # A tree asks of few columns: taken over a block of homes, they and the sums stay in the processor's cache.
    for first in range(0, rows.shape[0], BLOCK):
        last = min(first + BLOCK, rows.shape[0])
        for tree in range(root.shape[0]):
            for home in range(first, last):
                node = root[tree]
                while feature[node] >= 0:
                    asked = rows[home, feature[node]]
                    goes_left = missing_left[node] if asked != asked else asked <= threshold[node]
                    node = left[node] if goes_left else right[node]
                found[home, of_class[tree], probe[node]] += value[node]


def trees_of_predictors(
    predictors: Sequence[Sequence[Any]], start: Float, column_probe: Int, *, register: int
) -> Trees:
    """Return the forest of a fitted HistGradientBoostingClassifier.

    Parameters
    ----------
    predictors, start
        Its trees by iteration and class, and its baseline [log odds], (classes,).
    column_probe, register
        The probe of each column, (columns,), and the probe that any other may be asked together with.

    Raises
    ------
    ValueError
        A leaf rests on two probes, so its value belongs to neither.
    """
    nodes = [predictor.nodes for iteration in predictors for predictor in iteration]
    whole = np.concatenate(nodes)
    sizes = np.array([len(tree) for tree in nodes])
    root = np.cumsum(sizes) - sizes
    first = np.repeat(root, sizes)
    is_leaf = whole["is_leaf"].astype(np.bool_)
    feature = np.where(is_leaf, -1, whole["feature_idx"]).astype(np.int32)
    left, right = (np.where(is_leaf, 0, whole[side] + first).astype(np.int32) for side in ("left", "right"))
    return Trees(
        feature=feature,
        threshold=whole["num_threshold"].astype(np.float64),
        left=left,
        right=right,
        missing_left=whole["missing_go_to_left"].astype(np.bool_),
        value=np.where(is_leaf, whole["value"], 0.0).astype(np.float64),
        probe=_leaf_probes(feature, left, right, column_probe, register),
        root=root.astype(np.int32),
        of_class=np.tile(np.arange(start.size, dtype=np.int32), len(predictors)),
        start=start,
    )


def _leaf_probes(feature: Int, left: Int, right: Int, column_probe: Int, register: int) -> Int:
    probe = np.full(feature.size, register, dtype=np.int32)
    for node in np.flatnonzero(feature >= 0).tolist():  # parents come before their children
        asked = column_probe[feature[node]]
        if asked == register:
            asked = probe[node]
        elif probe[node] not in (register, asked):
            raise ValueError("a leaf of the model rests on two probes")
        probe[left[node]] = probe[right[node]] = asked
    return np.where(feature < 0, probe, -1).astype(np.int32)
