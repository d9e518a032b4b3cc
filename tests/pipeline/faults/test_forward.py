"""What every fault does to the readings, for each service, position and source of the contract.

The algebra of the field guide by hand: an upstream leg is L - S/2, a whole-home reading L - S, one at the
loads L; a source that adds production back adds S/2 a leg, or S, to an upstream reading and may cut off what is
negative. Loads stand still here at power factor 1, so a slope on S is exactly the CT's own.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from still_home import LOAD_W, PV_W, SERVICES, SOURCES, home, legs_of, slope, sound

from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure

# A leg's current times the other leg's voltage: cos 180 and cos 120 degrees
ACROSS = {"120/240": -1.0, "120/208": -0.5, "single": 0.0}
OWN, OTHER = "own", "other"
# (fault, leg, what its room drew) -> each channel: whose current it carries, and times what
STATES: dict[tuple[str, str, str], tuple[tuple[str, float], tuple[str, float]]] = {
    ("right", "", ""): ((OWN, 1), (OWN, 1)),
    ("reversed", "l1", ""): ((OWN, -1), (OWN, 1)),
    ("reversed", "l2", ""): ((OWN, 1), (OWN, -1)),
    ("reversed", "both", ""): ((OWN, -1), (OWN, -1)),
    ("legs_crossed", "both", ""): ((OTHER, 1), (OTHER, 1)),
    ("same_leg", "l1", "mirror"): ((OTHER, 1), (OWN, 1)),
    ("same_leg", "l1", "copy"): ((OTHER, -1), (OWN, 1)),
    ("same_leg", "l2", "mirror"): ((OWN, 1), (OTHER, 1)),
    ("same_leg", "l2", "copy"): ((OWN, 1), (OTHER, -1)),
    ("dead", "l1", "0.0 W"): ((OWN, 0), (OWN, 1)),
    ("dead", "l2", "0.0 W"): ((OWN, 1), (OWN, 0)),
    ("dead", "both", "0.0 W"): ((OWN, 0), (OWN, 0)),
    ("partial", "l1", "pair"): ((OWN, 0.5), (OWN, 1)),
    ("partial", "l2", "pair"): ((OWN, 1), (OWN, 0.5)),
    ("partial", "both", "pair"): ((OWN, 0.5), (OWN, 0.5)),
    ("wrong_ratio", "both", "configured 400 A, is 200 A"): ((OWN, 2), (OWN, 2)),
    ("wrong_ratio", "both", "configured 50 A, is 200 A"): ((OWN, 0.25), (OWN, 0.25)),
    ("wrong_scope", "both", ""): ((OWN, 1), (OWN, 1)),
}  # fmt: skip


def drawn(fault: str, leg: str, words: str, wiring: Wiring, circuit: Circuit) -> Wiring:
    """The wiring with a fault, of the draws the first whose severity says these words."""
    if fault == "right":
        return wiring
    seeds = (np.random.default_rng(seed) for seed in range(60))
    drawn = (CATALOGUE[fault].effect(wiring, circuit, leg, rng) for rng in seeds)
    return next(wiring for wiring in drawn if words in wiring.severity)


def cells() -> Iterator[tuple[str, str, str, str, str]]:
    for service in SERVICES:
        for source in SOURCES:
            for fault, leg, words in STATES:
                is_on_single = leg in ("", *(CATALOGUE[fault].legs_on("single") if leg else ()))
                if service == "single" and (not is_on_single or fault in ("legs_crossed", "same_leg")):
                    continue
                # a register that is wrong about the scope would turn the adding off: such homes don't have it
                if fault != "wrong_scope" or source in ("upstream", "downstream"):
                    yield service, source, fault, leg, words


@pytest.mark.parametrize(("service", "source", "fault", "leg", "words"), list(cells()))
def test_nights_and_slopes_of_every_state(
    service: str, source: str, fault: str, leg: str, words: str
) -> None:
    circuit = home(service)
    wiring = drawn(fault, leg, words, sound(service, source, 2 if words == "pair" else 1), circuit)
    part = 1.0 if service == "single" else 0.5  # of S that a leg carries, and that is added back to it

    reading = measure(circuit, wiring)

    for own, power, (whose, times) in zip(
        (1, 2), legs_of(reading, service), STATES[fault, leg, words], strict=False
    ):
        # the inverter's current runs in at one leg and out at the other: the other leg's is minus one's own
        answer = -part * times if whose == OWN else part * times
        answer = 0.0 if source == "downstream" else answer
        if source in ("added back", "clipped"):
            answer += part
        night_w = LOAD_W[own] * times if whose == OWN else LOAD_W[3 - own] * times * ACROSS[service]
        expected = night_w + answer * PV_W
        if source == "clipped":
            expected = np.maximum(expected, 0.0)
        else:
            assert slope(power) == pytest.approx(answer, abs=1e-9)
        assert power == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("state", "of_sum"),
    [
        (("right", "", ""), 0.0),
        (("reversed", "l1", ""), 1.0),
        (("reversed", "both", ""), 2.0),
        (("legs_crossed", "both", ""), 2.0),
        (("dead", "both", "0.0 W"), 1.0),
        (("same_leg", "l2", "mirror"), 1.0),
    ],
)
def test_with_production_added_back_the_sum_rises_with_the_sun(
    state: tuple[str, str, str], of_sum: float
) -> None:
    """Right: no answer to the sun. One CT turned: +1 W a W; both: +2."""
    circuit = home("120/240")

    reading = measure(circuit, drawn(*state, sound("120/240", "added back"), circuit))

    assert slope(reading.l1_w + reading.l2_w) == pytest.approx(of_sum)


@pytest.mark.parametrize(
    ("service", "fault"),
    [(service, "reversed") for service in SERVICES]
    + [("120/240", "legs_crossed"), ("120/208", "legs_crossed")],
)
def test_where_negatives_are_cut_off_a_turned_home_is_zero_all_night_and_alive_at_noon(
    service: str, fault: str
) -> None:
    circuit = home(service)

    turned = measure(circuit, drawn(fault, "both", "", sound(service, "clipped"), circuit))

    for power in legs_of(turned, service):
        assert (power[PV_W == 0] == 0).all()
        assert power[-1] > 4500
        assert (np.diff(power) >= 0).all()


def test_a_wrong_scope_leaves_the_readings_and_spoils_what_is_derived() -> None:
    circuit = home("120/240")
    for source, declared in (("upstream", False), ("downstream", True)):
        right = measure(circuit, sound("120/240", source))
        wiring = CATALOGUE["wrong_scope"].effect(
            sound("120/240", source), circuit, "both", np.random.default_rng(0)
        )
        reading = measure(circuit, wiring)

        assert np.array_equal(reading.l1_w, right.l1_w)
        assert wiring.declared_sees_pv is declared
        derived = reading.l1_w + 0.5 * reading.pv_w * declared  # the load, if the register were right
        assert derived - LOAD_W[1] == pytest.approx((0.5 if declared else -0.5) * PV_W)


@pytest.mark.parametrize("pv_leg", ["l1", "l2"])
@pytest.mark.parametrize("service", ["120/240", "120/208"])
def test_a_single_leg_inverter_shows_whole_on_its_leg(service: str, pv_leg: str) -> None:
    loads_w = np.array([np.full(PV_W.size, watts) for watts in LOAD_W.values()])
    circuit = Circuit.from_powers(loads_w, PV_W, service=service, pv_lines=(pv_leg,))
    right = Wiring.sound(service, pv_lines=(pv_leg,))

    for fault, leg, sign in (("right", "", -1), ("reversed", "both", 1)):
        reading = measure(circuit, drawn(fault, leg, "", right, circuit))
        slopes = (slope(reading.l1_w), slope(reading.l2_w))
        assert slopes == pytest.approx((sign, 0.0) if pv_leg == "l1" else (0.0, sign), abs=1e-9)
        assert reading.pv_w == pytest.approx(PV_W)
