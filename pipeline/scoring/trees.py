"""Boosted trees as plain arrays, additive by probe: what each probe adds to each class of each home.

On its way down a tree a home is asked of one probe only, besides what the register says; a leaf's value belongs to that
probe. So a home's score is a sum over probes, exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

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
        found = np.zeros((len(rows), self.classes, probes))
        if len(rows):
            _add_terms(  # type: ignore[no-untyped-call]  # compiled
                np.asfortranarray(rows), self.feature, self.threshold, self.left, self.right, self.missing_left,
                self.value, self.probe, self.root, self.of_class, found,
            )  # fmt: skip
        return found


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


def a_column_each(trees: Trees) -> Trees:
    """Return trees of two classes that speak for the second one as ones with a score for each."""
    return replace(trees, of_class=np.ones_like(trees.of_class), start=np.array([0.0, float(trees.start[0])]))


def from_predictors(
    predictors: Sequence[Sequence[object]], start: Float, column_probe: Int, register: int
) -> Trees:
    """Return the forest of a fitted HistGradientBoostingClassifier.

    Parameters
    ----------
    predictors
        Its trees by iteration and class.
    start
        Its baseline [log odds], (classes,).
    column_probe
        The probe of each column, (columns,).
    register
        The number of the probe that any other may be asked together with.

    Raises
    ------
    ValueError
        A leaf rests on two probes, so its value belongs to neither.
    """
    names = ("feature", "threshold", "left", "right", "missing_left", "value", "probe")
    parts: dict[str, list[NDArray[np.generic]]] = {name: [] for name in names}
    roots, of_class, first = [], [], 0
    for iteration in predictors:
        for at, predictor in enumerate(iteration):
            nodes = predictor.nodes  # type: ignore[attr-defined]
            is_leaf = nodes["is_leaf"].astype(np.bool_)
            feature = np.where(is_leaf, -1, nodes["feature_idx"]).astype(np.int32)
            parts["feature"].append(feature)
            parts["threshold"].append(nodes["num_threshold"].astype(np.float64))
            parts["left"].append(np.where(is_leaf, 0, nodes["left"] + first).astype(np.int32))
            parts["right"].append(np.where(is_leaf, 0, nodes["right"] + first).astype(np.int32))
            parts["missing_left"].append(nodes["missing_go_to_left"].astype(np.bool_))
            parts["value"].append(np.where(is_leaf, nodes["value"], 0.0).astype(np.float64))
            parts["probe"].append(_leaf_probes(nodes, feature, column_probe, register))
            roots.append(first)
            of_class.append(at)
            first += len(nodes)
    whole = {name: np.concatenate(arrays) for name, arrays in parts.items()}
    return Trees(
        **whole,
        root=np.array(roots, dtype=np.int32),
        of_class=np.array(of_class, dtype=np.int32),
        start=start,
    )  # type: ignore[arg-type]


def _leaf_probes(nodes: NDArray[np.void], feature: Int, column_probe: Int, register: int) -> Int:
    probe = np.full(len(nodes), register, dtype=np.int32)
    for at in range(len(nodes)):  # parents come before their children
        if feature[at] < 0:
            continue
        asked = column_probe[feature[at]]
        if asked != register and probe[at] not in (register, asked):
            raise ValueError("a leaf of the model rests on two probes")
        own = asked if asked != register else probe[at]
        for child in (int(nodes["left"][at]), int(nodes["right"][at])):
            probe[child] = own
    return np.where(feature < 0, probe, -1).astype(np.int32)
