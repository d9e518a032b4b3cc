"""Arithmetic whose last digits hang on a home's own numbers alone: not on who else is scored, nor on the cores."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
BLOCK = 256  # homes at a time


def blocks(rows: Float) -> Iterator[Float]:
    """Yield the rows in blocks of BLOCK, the last filled up with zeros; at least one block.

    How products of matrices and exponentials round depends on their arrays' shapes: in blocks a home gets the same
    last digits whoever else is scored with it. And encoded, a home takes some hundred times the room of its scores.
    """
    for at in range(0, max(len(rows), 1), BLOCK):
        block = rows[at : at + BLOCK]
        yield np.concatenate([block, np.zeros((BLOCK - len(block), rows.shape[1]))])


def product(left: Float, right: Float) -> Float:
    """Return `left @ right` as the sum of two halves.

    A long sum is parted by the library, elsewhere with one thread than with more; these halves stay whole, so that the
    last digits don't hang on how many cores there are.
    """
    half = (len(right) + 1) // 2
    total: Float = left[:, :half] @ right[:half] + left[:, half:] @ right[half:]
    return total


def softmax(score: Float) -> Float:
    """Return exp(score) over its sum in each row."""
    power = np.exp(score - score.max(axis=1, keepdims=True))
    share: Float = power / power.sum(axis=1, keepdims=True)
    return share
