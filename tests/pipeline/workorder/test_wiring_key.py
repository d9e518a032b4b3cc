"""The known load on each of three lines tells every wiring apart, and the key says how to read it."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest

from pipeline.core.setting_sections import OrderSettings
from pipeline.core.settings import load_settings
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure
from pipeline.workorder.install import Install
from pipeline.workorder.wiring_key import wiring_key

SETTINGS: OrderSettings = load_settings().orders
INSTALL = Install("230/400", sees_pv=True, cts_per_leg=1, pv_added_back=False, has_pv=True)
LOAD_W = 1500.0


def moves(order: tuple[int, ...], signs: tuple[int, ...]) -> np.ndarray:
    """What each channel reads (columns) of the load on each line (rows)."""
    circuit = Circuit.from_powers(np.eye(3) * LOAD_W, np.zeros(3), service="230/400")
    reading = measure(circuit, Wiring.sound("230/400").permuted(order, signs))
    return np.array([reading.line_w(line) for line in (1, 2, 3)]).T


def test_all_48_wirings_answer_apart_and_as_the_key_says() -> None:
    """The only channel that moves is the one whose CT is there: all of it on its own line, else half and turned."""
    seen = set()
    for order in permutations((1, 2, 3)):
        for signs in product((1, -1), repeat=3):
            answer = moves(order, signs)
            seen.add(tuple(np.round(answer).astype(int).ravel()))
            for channel, (line, sign) in enumerate(zip(order, signs, strict=True), start=1):
                size = LOAD_W if line == channel else -LOAD_W / 2
                assert answer[line - 1, channel - 1] == pytest.approx(sign * size)
                assert np.delete(answer[:, channel - 1], line - 1) == pytest.approx(0.0, abs=1e-6)
    assert len(seen) == 48


def test_the_key_has_the_numbers_of_the_circuit() -> None:
    key = wiring_key(INSTALL, SETTINGS)
    assert [meaning.moves for meaning in key.meanings] == [
        "its own channel by +1\u202f500 W, no other", "its own channel by −1\u202f500 W",
        "another channel by −750 W (and 1\u202f300 var)", "another channel by +750 W (and 1\u202f300 var)",
        "two channels", "no channel",
    ]  # fmt: skip
    assert key.notes[0].endswith("0 V is the same line, about 400 V is another line.")
    assert "−2\u202f000 W on one line, −1\u202f000 W on each of two, −670 W on each of three" in key.notes[1]
    assert "Expected here: L1, L2 and L3, −670 W on each." in key.notes[1]


def test_what_is_expected_follows_the_lines_that_are_fed_and_the_service() -> None:
    one = wiring_key(Install("230/400", True, 1, False, True, pv_lines=("l2",)), SETTINGS)
    assert "Expected here: L2, −2\u202f000 W. In doubt" in one.notes[1]
    low = wiring_key(Install("120/208 three-phase", True, 1, False, True), SETTINGS)
    assert "about 208 V is another line" in low.notes[0]
    loads = wiring_key(Install("230/400", False, 1, False, True), SETTINGS)
    assert "the channels don't show it here" in loads.notes[1]
    assert len(wiring_key(Install("230/400", True, 1, False, False), SETTINGS).notes) == 1


@pytest.mark.parametrize("service", ["120/240", "120/208", "single", "230"])
def test_homes_of_one_or_two_lines_have_no_key(service: str) -> None:
    assert wiring_key(Install(service, True, 1, False, True), SETTINGS) == ((), ())


def test_a_total_of_three_lines_has_no_key() -> None:
    assert wiring_key(Install("230/400", True, 1, False, True, is_summed=True), SETTINGS) == ((), ())
