"""Our three-line circuit and every one of the 48 wirings against a power-flow engine.

A wrong CT is, to the engine, only another product of its own phasors: a line's current times another line's voltage.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import polars as pl
import pytest
from opendss_three_phase import ThreePhase, solve_three

from pipeline.core.services import LINES
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.channels import Channels
from pipeline.faults.circuit import Circuit, line_to_line_va
from pipeline.faults.cts import Wiring, measure
from pipeline.faults.permutations import orders_of, put_back, wirings

STEPS = 60
SERVICES = ("230/400", "120/208 three-phase")
INVERTERS = (None, 1, 2, 3)
AT = [(service, pv_line) for service in SERVICES for pv_line in INVERTERS]
IDS = [f"{service}, PV on {pv_line or 'all'}" for service, pv_line in AT]


def taken(seed: int = 7) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Three unequal loads of their own power factors, a motor on all lines, and the sun; a quarter of it night."""
    rng = np.random.default_rng(seed)
    loads = (250 + rng.gamma(1, 600, (3, STEPS))) * (1 + 1j * np.array([[0.15], [0.5], [0.3]]))
    motor = (rng.random(STEPS) < 0.3) * 2400 * (1 + 0.6j)
    pv_w = np.where(np.arange(STEPS) < STEPS // 4, 0, rng.uniform(0, 5000, STEPS))
    return loads, motor, pv_w


@cache
def home(service: str, pv_line: int | None) -> ThreePhase:
    return solve_three(service, *taken(), pv_line)


@cache
def ours(service: str, pv_line: int | None) -> Circuit:
    """The same home by our algebra, from what its appliances take and the sizes of the voltages."""
    touched = home(service, pv_line)
    loads, motor, _ = taken()
    sizes = np.abs(touched.volts)
    return Circuit.from_powers(
        loads + line_to_line_va(motor, sizes, service=service), touched.made_w, volts=sizes, service=service,
        pv_lines=pv_line and (LINES[pv_line - 1],),
    )  # fmt: skip


def engine_va(
    touched: ThreePhase, order: tuple[int, ...], signs: tuple[int, ...], sees_pv: bool
) -> np.ndarray:
    """Power of the channels [VA] from the engine's own phasors."""
    amps = touched.service if sees_pv else touched.load
    return np.array([
        volts * np.conj(sign * amps[line - 1])
        for volts, line, sign in zip(touched.volts, order, signs, strict=True)
    ])  # fmt: skip


@pytest.mark.parametrize("sees_pv", [True, False], ids=["upstream", "downstream"])
@pytest.mark.parametrize(("service", "pv_line"), AT, ids=IDS)
def test_every_wiring_reads_as_the_engines_phasors(service: str, pv_line: int | None, sees_pv: bool) -> None:
    touched, circuit = home(service, pv_line), ours(service, pv_line)
    pv_lines = pv_line and (LINES[pv_line - 1],)
    sound = Wiring.sound(service, sees_pv, pv_lines=pv_lines)
    size = np.abs(touched.volts * touched.service).max()

    for order, signs in wirings(3):
        reading = measure(circuit, sound.permuted(order, signs))
        true = engine_va(touched, order, signs, sees_pv)
        # what differs is the lines' angle, which is ideal in ours and a fraction of a degree off in the engine
        assert np.abs(reading.va - true).max() < 0.02 * size, (order, signs)
        big = np.abs(true.real) > 0.05 * size
        assert np.array_equal(np.sign(reading.va.real[big]), np.sign(true.real[big]))
        assert reading.pv_w == pytest.approx(touched.made_w, rel=0.02, abs=1)


@pytest.mark.parametrize(("service", "pv_line"), AT, ids=IDS)
def test_the_engines_readings_of_every_wiring_are_put_back(service: str, pv_line: int | None) -> None:
    touched = home(service, pv_line)
    true = engine_va(touched, (1, 2, 3), (1, 1, 1), sees_pv=True)
    size = np.abs(true).max()
    volts = {f"{leg}_v": np.abs(touched.volts[at]) for at, leg in enumerate(LINES)}

    for order, signs in wirings(3):
        va = engine_va(touched, order, signs, sees_pv=True)
        seen = {
            f"{leg}_{unit}": part[at]
            for at, leg in enumerate(LINES)
            for unit, part in (("w", va.real), ("var", va.imag))
        }
        right = put_back(Channels.columns(3), order, signs, service=service)
        put = pl.DataFrame(seen | volts | {"pv_w": touched.made_w}).select(**right._asdict())
        found = np.array([put[f"{leg}_w"].to_numpy() + 1j * put[f"{leg}_var"].to_numpy() for leg in LINES])
        assert np.abs(found - true).max() < 0.02 * size, (order, signs)


@pytest.mark.parametrize("service", SERVICES)
def test_the_inverter_feeds_a_third_a_line_or_all_on_its_own(service: str) -> None:
    for pv_line in INVERTERS:
        touched = home(service, pv_line)
        fed = (touched.volts * np.conj(touched.pv)).real
        shares = [1 / 3] * 3 if pv_line is None else [float(line == pv_line) for line in (1, 2, 3)]
        for line, share in enumerate(shares):
            assert np.polyfit(touched.made_w, fed[line], 1)[0] == pytest.approx(share, abs=0.01)


@pytest.mark.parametrize("service", SERVICES)
def test_a_crossed_lines_solar_slope_is_half_the_other_way(service: str) -> None:
    """The loads held still: upstream a line falls by a third, by another line's voltage it rises by a sixth."""
    still = np.full((3, 8), 800 + 0j)
    touched = solve_three(service, still, np.zeros(8, np.complex128), np.linspace(0, 5000, 8))
    for order, slope in (((1, 2, 3), -1 / 3), ((2, 3, 1), 1 / 6), ((3, 1, 2), 1 / 6)):
        for va in engine_va(touched, order, (1, 1, 1), sees_pv=True):
            assert np.polyfit(touched.made_w, va.real, 1)[0] == pytest.approx(slope, abs=0.01)


@pytest.mark.parametrize("pv_line", INVERTERS)
def test_faults_of_the_catalogue_are_these_wirings(pv_line: int | None) -> None:
    service = "230/400"
    touched, circuit = home(service, pv_line), ours(service, pv_line)
    sound = Wiring.sound(service, pv_lines=pv_line and (LINES[pv_line - 1],))
    size = np.abs(touched.volts * touched.service).max()
    for name in ("reversed", "legs_crossed"):
        for leg in CATALOGUE[name].legs_on(service):
            wiring = CATALOGUE[name].effect(sound, circuit, leg, np.random.default_rng(3))
            order = tuple(ct.line for ct, *_ in wiring.channels)
            signs = tuple(-1 if ct.is_turned else 1 for ct, *_ in wiring.channels)
            assert order in (orders_of(leg, 3) if name == "legs_crossed" else [(1, 2, 3)])
            true = engine_va(touched, order, signs, sees_pv=True)
            assert np.abs(measure(circuit, wiring).va - true).max() < 0.02 * size


@pytest.mark.parametrize("service", SERVICES)
def test_two_lines_voltage_difference_follows_their_currents_alone(service: str) -> None:
    """V1 - V2 falls with I1 and rises with I2; the third line's current in phase leaves it."""
    rng = np.random.default_rng(3)
    loads = 300 + rng.gamma(1, 900, (3, STEPS)) + 0j
    touched = solve_three(service, loads, np.zeros(STEPS, np.complex128), np.zeros(STEPS))
    watts = (touched.volts * np.conj(touched.service)).real
    moves = np.diff(watts, axis=1).T
    for i, j in ((0, 1), (1, 2), (2, 0)):
        difference = np.diff(np.abs(touched.volts[i]) - np.abs(touched.volts[j]))
        fit = np.linalg.lstsq(moves, difference, rcond=None)[0]
        third = ({0, 1, 2} - {i, j}).pop()
        assert fit[i] < 0 < fit[j]
        assert abs(fit[third]) < 0.1 * abs(fit[i])
