"""Every entry of the catalogue against the power-flow engine, leg by leg and each way its room draws it.

The engine knows the currents and voltages of a home; described_install.py multiplies them as a meter would
for the fault in words. The room's effect through pipeline.faults.cts must read the same: powers, production,
signs, and how V1 - V2 moves with the readings.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np
import pytest
from described_install import HOLD, STEPS, Install, as_described, home, our_circuit
from opendss_circuit import solve

from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import line_to_line_va
from pipeline.faults.cts import Wiring, measure

# service and what the inverter is connected to
SERVICES = (
    ("120/240", "both"), ("120/208", "both"), ("120/240", "l1"), ("120/208", "l2"), ("single", "both")
)  # fmt: skip
DRAWS = 6
NOTHING_DRAWN = ("reversed", "legs_crossed", "wrong_scope", "swapped_with_pv")
TABLE = [
    (service, pv_leg, fault, leg)
    for service, pv_leg in SERVICES
    for fault in CATALOGUE
    for leg in CATALOGUE[fault].legs_on(service)
    if not (service == "single" and fault in ("legs_crossed", "same_leg"))
]


def draws(fault: str, leg: str, service: str, pv_leg: str, sees_pv: bool) -> Iterator[tuple[Install, Wiring]]:
    """The fault on every kind of install it can happen to, several times where its room draws something."""
    circuit = our_circuit(service, pv_leg)
    metered = list(product(("line", "leg"), (1, 2))) if fault == "swapped_with_pv" else [("line", 1)]
    for cts, (by, led) in product((1, 2), metered):
        install = Install(service, sees_pv, cts, by, led, pv_leg)
        if CATALOGUE[fault].fits(install.wiring, circuit):
            for seed in range(1 if fault in NOTHING_DRAWN else DRAWS):
                yield (
                    install,
                    CATALOGUE[fault].effect(install.wiring, circuit, leg, np.random.default_rng(seed)),
                )


def agree(found: np.ndarray, true: np.ndarray, size: float) -> None:
    """Same powers but for the legs' angle, which is ideal in ours and a fraction of a degree off in the engine."""
    assert np.abs(found - true).max() < 0.02 * size
    big = np.abs(true.real) > 0.05 * size
    assert np.array_equal(np.sign(found.real[big]), np.sign(true.real[big]))
    if true.real.std() > 0.1 * size:
        assert np.corrcoef(found.real, true.real)[0, 1] > 0.999


@pytest.mark.parametrize("sees_pv", [True, False], ids=["upstream", "downstream"])
@pytest.mark.parametrize(("service", "pv_leg", "fault", "leg"), TABLE)
def test_a_fault_reads_as_its_description_does(
    service: str, pv_leg: str, fault: str, leg: str, sees_pv: bool
) -> None:
    touched, circuit = home(service, pv_leg), our_circuit(service, pv_leg)
    least = np.abs(touched.v1 * touched.load_1).max()
    tried = 0

    for install, wiring in draws(fault, leg, service, pv_leg, sees_pv):
        tried += 1
        reading = measure(circuit, wiring)
        shown = as_described(fault, leg, install, wiring)
        for found, true in zip(
            (*reading.va, reading.pv_w), (*shown[: len(reading.va)], shown[2]), strict=True
        ):
            agree(found, true, max(least, np.abs(true).max()))
        assert wiring.declared_sees_pv is (sees_pv != (fault == "wrong_scope"))

    assert tried


def sag(service: str, p1: np.ndarray, p2: np.ndarray, *, with_pv: bool) -> np.ndarray | None:
    """Volts a watt of each reading in the steps of V1 - V2, with production as third where CTs don't see it.

    None where the readings can't be told apart (one leg silent, or both of one conductor).
    """
    touched = home(service)
    moves = [np.diff(p1), np.diff(p2)]
    if with_pv:
        moves.append(np.diff(touched.made_w))
    if min(np.std(move) for move in moves) < 50 or np.linalg.svd(np.corrcoef(moves))[1].min() < 0.015:
        return None
    difference = np.diff(np.abs(touched.v1) - np.abs(touched.v2))
    return np.asarray(np.linalg.lstsq(np.column_stack(moves), difference, rcond=None)[0][:2])


@pytest.mark.parametrize("sees_pv", [True, False], ids=["upstream", "downstream"])
@pytest.mark.parametrize("service", ["120/240", "120/208"])
def test_leg_voltages_move_with_our_readings_as_with_the_engines(service: str, sees_pv: bool) -> None:
    told_of = set()
    for at, _, fault, leg in TABLE:
        if at != service:
            continue
        for install, wiring in draws(fault, leg, service, "both", sees_pv):
            reading = measure(our_circuit(service), wiring)
            s1, s2, _ = as_described(fault, leg, install, wiring)
            ours = sag(service, reading.l1_w, reading.l2_w, with_pv=not sees_pv)
            engines = sag(service, s1.real, s2.real, with_pv=not sees_pv)
            if ours is None or engines is None:
                continue
            told_of.add(fault)
            assert ours == pytest.approx(engines, abs=0.05 * np.abs(engines).max()), (fault, leg)
    assert told_of >= {"reversed", "legs_crossed", "partial", "loose_core", "wrong_ratio", "pickup_noise"}
    assert told_of.isdisjoint({"same_leg"} if service == "120/240" else ())


def way(fault: str, sees_pv: bool, cts: int, seed: int) -> str:
    """What the room drew for leg 1, in its words; and which CT or bundle it left or turned."""
    install = Install("120/240", sees_pv, cts)
    leg = CATALOGUE[fault].legs_of(2)[0]
    rng = np.random.default_rng(seed)
    wiring = CATALOGUE[fault].effect(install.wiring, our_circuit("120/240"), leg, rng)
    words, first = wiring.severity.lstrip("0123456789. "), wiring.cts("l1")
    if fault == "opposed_pair":
        return f"{words}: {[ct.is_turned for ct in first].index(True)}"
    if fault == "partial" and not sees_pv and "current" not in words:
        return f"{words}: sees {'b' if first[0].load_a == 0 else 'a'}"
    return words


@pytest.mark.parametrize(
    ("fault", "sees_pv", "cts", "ways"),
    [
        ("partial", True, 1, {"of the current enclosed"}),
        ("partial", True, 2, {"one CT of the pair missing"}),
        ("partial", False, 1, {
            "of the current enclosed", "one load bundle outside: sees a", "one load bundle outside: sees b",
        }),
        ("partial", False, 2, {
            "one CT of the pair missing: sees a", "one CT of the pair missing: sees b",
        }),
        ("opposed_pair", True, 2, {"one CT of the pair turned: 0", "one CT of the pair turned: 1"}),
        ("opposed_pair", False, 2, {"one CT of the pair turned: 0", "one CT of the pair turned: 1"}),
        ("same_leg", True, 1, {"a mirror image", "a copy: misplaced and turned"}),
    ],
)  # fmt: skip
def test_the_draws_compared_are_every_way_of_the_fault(
    fault: str, sees_pv: bool, cts: int, ways: set[str]
) -> None:
    assert {way(fault, sees_pv, cts, seed) for seed in range(DRAWS)} == ways


@pytest.mark.parametrize(("service", "legs"), [("120/240", (0.5, 0.5)), ("120/208", (0.640, 0.360))])
def test_a_lagging_load_between_the_legs_steps_them_evenly_on_120_240_only(
    service: str, legs: tuple[float, float]
) -> None:
    """On 120/208 its current lies 30 degrees off either voltage: at power factor 0.9 leg 1 takes 64 %."""
    nothing = np.zeros(2, dtype=np.complex128)
    on = np.array([0, 3000 * (1 + 1j * np.tan(np.arccos(0.9)))])

    touched = solve(service, nothing, nothing, on, np.zeros(2))

    s1, s2 = touched.v1 * np.conj(touched.i1), touched.v2 * np.conj(touched.i2)
    ours = line_to_line_va(on, np.abs([touched.v1, touched.v2]), service=service)
    for seen, said, share in zip((s1, s2), ours, legs, strict=True):
        assert np.diff(seen.real)[0] / 3000 == pytest.approx(share, abs=0.01)
        assert np.diff(seen)[0] == pytest.approx(np.diff(said)[0], abs=30)


def test_loads_move_and_stand_still() -> None:
    """The home of these tests: in three steps of four only the sun moves, and a quarter of it is night."""
    touched = home("120/240")
    loads = np.abs(np.diff(touched.load_1 * touched.v1))
    assert (loads[np.arange(1, STEPS) % HOLD != 0] < 20).all()
    assert np.mean(touched.made_w < 1) == pytest.approx(0.25)
