"""A wiring in words names each channel whose CT is wrong, and where it is."""

from __future__ import annotations

from itertools import permutations, product

import pytest

from pipeline.core.wiring_text import read_wiring, spell_wiring


def test_what_is_wrong_is_named_first_and_what_is_right_last() -> None:
    assert spell_wiring("l1+ l2+ l3+") == "every CT is on its own line, none is turned"
    assert (
        spell_wiring("l1- l2+ l3+")
        == "CT of channel L1 is turned, on its own line; CTs of channels L2 and L3 are right"
    )
    assert (
        spell_wiring("l2+ l1- l3+")
        == "CT of channel L1 is on line L2; CT of channel L2 is on line L1, turned; CT of channel L3 is right"
    )


def test_no_two_of_the_48_wirings_read_alike() -> None:
    codes = [
        " ".join(f"{line}{sign}" for line, sign in zip(order, signs, strict=True))
        for order in permutations(("l1", "l2", "l3"))
        for signs in product("+-", repeat=3)
    ]
    assert len({spell_wiring(code) for code in codes}) == 48


def test_channels_follow_the_order_of_the_text() -> None:
    assert [(ct.channel, ct.line, ct.is_turned) for ct in read_wiring("l3- l1+ l2+")] == [
        ("l1", "l3", True), ("l2", "l1", False), ("l3", "l2", False)
    ]  # fmt: skip


@pytest.mark.parametrize("code", ["", "l1", "l4+ l2+ l3+", "both+"])
def test_other_texts_are_no_wiring(code: str) -> None:
    with pytest.raises(ValueError, match="no wiring"):
        read_wiring(code)
