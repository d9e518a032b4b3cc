"""The last digit of a home's numbers doesn't hang on who else is scored, nor on how many cores there are."""

from __future__ import annotations

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from pipeline.digits import BLOCK, blocks, product, softmax

RNG = np.random.default_rng(1)
ENCODED = np.where(RNG.random((BLOCK, 630)) < 0.3, RNG.random((BLOCK, 630)), 0.0)
WEIGHTS = RNG.standard_normal((630, 42))


@pytest.mark.parametrize("threads", [1, 2])
def test_a_product_is_the_same_with_any_number_of_threads(threads: int) -> None:
    with threadpool_limits(threads, "blas"):
        found = product(ENCODED, WEIGHTS)

    with threadpool_limits(1, "blas"):
        assert found.tobytes() == product(ENCODED, WEIGHTS).tobytes()
    assert found == pytest.approx(ENCODED @ WEIGHTS, rel=1e-12, abs=1e-12)


def test_a_product_of_an_odd_number_of_columns_leaves_none_out() -> None:
    assert product(np.ones((1, 7)), np.ones((7, 2))).tolist() == [[7.0, 7.0]]


@pytest.mark.parametrize("homes", [0, 1, BLOCK, BLOCK + 1])
def test_blocks_are_of_one_size_and_hold_each_home_once(homes: int) -> None:
    rows = np.arange(1.0, 3 * homes + 1).reshape(homes, 3)

    found = list(blocks(rows))

    assert {block.shape for block in found} == {(BLOCK, 3)}
    whole = np.concatenate(found)
    assert (whole[:homes] == rows).all()
    assert not whole[homes:].any()


def test_shares_of_far_apart_scores_sum_to_one() -> None:
    assert softmax(np.array([[1000.0, 0.0], [0.0, 0.0]])).tolist() == [[1.0, 0.0], [0.5, 0.5]]
