"""What truth.csv says of a wiring, and who turned CTs when the lines were wrong already."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest

from pipeline.faults.cts import CT, Wiring
from pipeline.simulate.crossed_wiring import is_permuted, turn_some, wiring_code

SOUND = Wiring.sound("230/400")


def test_each_of_48_wirings_has_its_own_code():
    codes = {
        wiring_code(SOUND.permuted(order, signs))
        for order, signs in product(permutations((1, 2, 3)), product((1, -1), repeat=3))
    }
    assert len(codes) == 48
    assert "l1+ l2+ l3+" in codes
    assert wiring_code(SOUND.permuted((2, 3, 1), (1, -1, 1))) == "l2+ l3- l1+"


def test_pairs_that_disagree_and_channels_without_ct_have_words():
    pair = Wiring.sound("230/400", cts_per_leg=2)
    first, second = pair.cts("l2")
    pair = pair.with_cts("l2", (first, second.turned())).with_cts("l3", ()).with_cts("l1", (CT(2, pv=1.0),))
    assert wiring_code(pair) == "pv+ l2+&l2- none"


@pytest.mark.parametrize("order", tuple(permutations((1, 2, 3))))
def test_only_wrong_lines_are_permuted(order):
    assert is_permuted(SOUND.permuted(order)) == (order != (1, 2, 3))


def test_two_channels_on_one_line_are_no_permutation():
    assert not is_permuted(SOUND.with_cts("l1", SOUND.cts("l2")))


def test_a_share_of_crossed_homes_has_turned_cts_and_no_other_home():
    rotated = SOUND.permuted((2, 3, 1))
    wirings = [turn_some(rotated, 0.5, np.random.default_rng(seed)) for seed in range(200)]
    turned = [wiring for wiring in wirings if "-" in wiring_code(wiring)]
    assert 70 < len(turned) < 130
    assert all("turned" in wiring.severity and is_permuted(wiring) for wiring in turned)
    assert turn_some(SOUND, 1.0, np.random.default_rng(1)) is SOUND
    two = Wiring.sound("120/240").permuted((2, 1))
    assert turn_some(two, 1.0, np.random.default_rng(1)) is two
