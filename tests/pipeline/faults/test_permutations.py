"""Every way in which CTs can sit on lines, 2 of one, 8 of two and 48 of three: put back they read the truth.

And what textbooks say of a wattmeter whose current comes from another line.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from pipeline.core.services import LINES, SERVICES, leg_codes, lines_of, service_of
from pipeline.faults.channels import Channels
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure
from pipeline.faults.permutations import order_text, orders_of, put_back, turn_between, wirings
from pipeline.faults.reading import Reading

N = 40
RNG = np.random.default_rng(2)
LOADS_VA = RNG.uniform(100, 4000, (3, N)) + 1j * RNG.uniform(-500, 1500, (3, N))
PV_W = RNG.uniform(0, 6000, N)
SIZES = RNG.uniform(0.95, 1.05, (3, N))


def home(service: str) -> Circuit:
    lines = slice(service_of(service).line_count)
    return Circuit.from_powers(
        LOADS_VA[lines], PV_W, volts=SIZES[lines] * service_of(service).volts, service=service
    )


def frame(reading: Reading, circuit: Circuit) -> pl.DataFrame:
    columns = {"pv_w": reading.pv_w}
    for line, leg in enumerate(LINES[: circuit.line_count], start=1):
        columns |= {f"{leg}_w": reading.line_w(line), f"{leg}_var": reading.line_var(line)}
        columns[f"{leg}_v"] = np.abs(circuit.volts[line - 1])
    missing = [name for name in Channels._fields if name not in columns]
    return pl.DataFrame(columns).with_columns(pl.lit(None, pl.Float64).alias(name) for name in missing)


@pytest.mark.parametrize("sees_pv", [True, False])
@pytest.mark.parametrize("service", SERVICES)
def test_every_wiring_put_back_reads_the_truth(service: str, sees_pv: bool) -> None:
    circuit = home(service)
    sound = Wiring.sound(service, sees_pv)
    true = measure(circuit, sound)
    found = list(wirings(circuit.line_count))

    assert len(set(found)) == {1: 2, 2: 8, 3: 48}[circuit.line_count]
    for order, signs in found:
        wrong = measure(circuit, sound.permuted(order, signs))
        right = put_back(Channels.columns(3), order, signs, service=service)
        put = frame(wrong, circuit).select(**right._asdict())
        for line, leg in enumerate(LINES[: circuit.line_count], start=1):
            assert put[f"{leg}_w"].to_numpy() == pytest.approx(true.line_w(line), rel=1e-9, abs=1e-9)
            assert put[f"{leg}_var"].to_numpy() == pytest.approx(true.line_var(line), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("service", ["230/400", "120/208 three-phase", "120/208"])
def test_no_other_wiring_reads_right_on_lines_120_degrees_apart(service: str) -> None:
    circuit = home(service)
    sound = Wiring.sound(service)
    true = measure(circuit, sound).va
    first, *others = wirings(circuit.line_count)

    assert np.array_equal(measure(circuit, sound.permuted(*first)).va, true)
    for order, signs in others:
        assert np.abs(measure(circuit, sound.permuted(order, signs)).va - true).max() > 1000


def test_on_120_240_reactive_power_need_not_be_known() -> None:
    circuit = home("120/240")
    wrong = frame(measure(circuit, Wiring.sound().permuted((2, 1))), circuit)
    unknown = wrong.with_columns(pl.lit(None, pl.Float64).alias(f"{leg}_var") for leg in ("l1", "l2"))

    right = unknown.select(**put_back(Channels.columns(3), (2, 1), service="120/240")._asdict())

    for line, leg in ((1, "l1"), (2, "l2")):
        assert right[f"{leg}_w"].to_numpy() == pytest.approx(measure(circuit, Wiring.sound()).line_w(line))
        assert right[f"{leg}_var"].null_count() == N


def test_the_orders_of_a_leg_move_just_its_lines() -> None:
    every = [order for leg in leg_codes(3) for order in orders_of(leg, 3)]

    assert len(every) == 5  # six less the right one
    for leg in leg_codes(3):
        orders = orders_of(leg, 3)
        assert len(orders) == {1: 0, 2: 1, 3: 2}[len(lines_of(leg, 3))]
        for order in orders:
            assert {LINES[at] for at, on in enumerate(order) if on != at + 1} == set(lines_of(leg, 3))
    assert orders_of("both", 2) == ((2, 1),)
    assert orders_of("l1", 1) == ()


def test_orders_are_told_in_words() -> None:
    assert order_text((1, 3, 2)) == "L2 and L3 exchanged"
    assert order_text((3, 1, 2)) == "L1's CT on L3, L2's on L1, L3's on L2"


@pytest.mark.parametrize("service", SERVICES)
def test_the_turn_between_lines_is_that_of_their_voltages(service: str) -> None:
    degrees = service_of(service).degrees
    for line, on in pairwise((*range(1, len(degrees) + 1), 1)):
        turn = math.radians(degrees[on - 1] - degrees[line - 1])
        assert turn_between(service, line, on) == pytest.approx((math.cos(turn), math.sin(turn)), abs=1e-12)


def lagging(power_factor: float, watts: float = 3000.0) -> np.ndarray:
    """One step of a load of this power factor [W + j var]."""
    return np.array([watts * (1 + 1j * math.tan(math.acos(power_factor)))])


@pytest.mark.parametrize("power_factor", [1.0, 0.9, 0.5])
def test_a_wattmeter_on_another_line_reads_p_cos_120_and_q_sin_120(power_factor: float) -> None:
    """V at 0, I at -120 - phi degrees: W = V I cos(120 + phi) = P cos 120 - Q sin 120; by the line before + Q sin 120.

    Active power is V I times the cosine of the angle between them: IEEE Std 1459 (memory), single-phase sinusoidal.
    """
    va = lagging(power_factor)
    circuit = Circuit.from_powers(np.array([va, va, va]), np.zeros(1), service="230/400")
    reading = measure(circuit, Wiring.sound("230/400").permuted((2, 3, 1)))

    cosine, sine = math.cos(math.radians(120)), math.sin(math.radians(120))
    p, q = va[0].real, va[0].imag
    back = measure(circuit, Wiring.sound("230/400").permuted((3, 1, 2)))
    for line in (1, 2, 3):  # each line's voltage is 120 degrees before the next one's
        assert reading.line_w(line) == pytest.approx(p * cosine - q * sine)
        assert back.line_w(line) == pytest.approx(p * cosine + q * sine)


@pytest.mark.parametrize("power_factor", [1.0, 0.866, 0.7, 0.5, 0.3])
def test_two_wattmeters_measure_three_lines(power_factor: float) -> None:
    """W1 + W2 is the total, tan phi = sqrt(3) (W1 - W2) / (W1 + W2), and at a power factor of 0.5 one reads nothing.

    The two-wattmeter method: A. Blondel, Measurement of the energy of polyphase currents, Chicago 1893 (memory).
    """
    va = lagging(power_factor)
    circuit = Circuit.from_powers(np.array([va, va, va]), np.zeros(1), service="230/400")
    amps = circuit.load[:, 0]
    volts = circuit.volts[:, 0]
    # current coils in lines 3 and 1, voltage coils to line 2, whose voltage follows line 1's
    w_1 = ((volts[2] - volts[1]) * np.conj(amps[2])).real
    w_2 = ((volts[0] - volts[1]) * np.conj(amps[0])).real

    assert w_1 + w_2 == pytest.approx(3 * va[0].real)
    assert math.sqrt(3) * (w_1 - w_2) / (w_1 + w_2) == pytest.approx(
        math.tan(math.acos(power_factor)), abs=1e-9
    )
    if power_factor == 0.5:
        assert w_2 == pytest.approx(0, abs=1e-9)
    assert measure(circuit, Wiring.sound("230/400")).va.real.sum() == pytest.approx(w_1 + w_2)
