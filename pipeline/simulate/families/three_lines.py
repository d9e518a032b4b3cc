"""Voltages of three lines and a neutral, in closed form: homes on one transformer, each with its own unlike lines.

Vi = Ei - Zi Ii - Zn (I1 + I2 + I3), with phasors: equal currents cancel in the neutral. What homes nobody monitors take
differs among the lines, so the feeder moves each line a little on its own. Also one-line homes of such a street: each
hangs on one of its lines, by turns.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.core.services import service_of
from pipeline.faults.circuit import Complex, Float
from pipeline.simulate.families.street import LineDrop
from pipeline.simulate.families.unequal_service import LOOSE_OHM, ROUNDS, draw_supply
from pipeline.simulate.sky import smooth_noise

LINE_OHM, LINE_SPREAD, UNLIKE = (
    0.02,
    0.45,
    0.25,
)  # median of a home, spread of its logarithm, and of each line's own
NEUTRAL, REACTANCE = (0.8, 1.5), (0.15, 0.9)  # times a line; of resistance
SHARED_OHM = (0.005, 0.03)  # transformer and main cable, a line and the neutral
STRANGERS_W, STRANGERS_LEAN_W = (800.0, 5000.0), (200.0, 1200.0)
UNBALANCE = 0.003  # of the transformer's lines against each other
TURNS = np.exp(1j * np.deg2rad(np.array([0.0, -120.0, 120.0])))[:, None]


def solve_three_lines(
    service: str, drops: Sequence[LineDrop], *, minutes: float, rng: np.random.Generator
) -> list[tuple[Float, ...]]:
    """Return each home's line voltages [V rms], shape (n,) each, as many as it has lines.

    Parameters
    ----------
    service
        Of all homes on the transformer: one with three lines, or "230".
    drops
        What each home takes.
    minutes, rng
        Length of a step; the street's random numbers.
    """
    nominal, steps = service_of(service).volts, drops[0].line_va.shape[1]
    on_bus = [_lines_on_bus(service, home) for home in range(len(drops))]
    amps = np.array([_strangers(steps, minutes, rng) for _ in TURNS]) / nominal
    amps = np.conj(amps) * TURNS
    for drop, lines in zip(drops, on_bus, strict=True):
        amps[lines] += np.conj(drop.line_va / (nominal * TURNS[lines]))
    shared = rng.uniform(*SHARED_OHM) * (1 + 1j * rng.uniform(0.3, 1.5))
    apart = np.array([[UNBALANCE * rng.normal()] for _ in TURNS])
    supply = nominal * (draw_supply(steps, minutes, rng) + apart) * TURNS
    bus = supply - shared * amps - shared * amps.sum(axis=0)
    return [
        tuple(np.abs(_at_home(bus[lines], drop, nominal, rng)))
        for drop, lines in zip(drops, on_bus, strict=True)
    ]


def _lines_on_bus(service: str, home: int) -> list[int]:
    """Return which of the street's lines a home's lines are: in turn, in the street's own sequence."""
    return [(home + line) % 3 for line in range(service_of(service).line_count)]


def _at_home(bus: Complex, drop: LineDrop, nominal: float, rng: np.random.Generator) -> Complex:
    """Return the phasors at a home: constant power near nominal, less in a deep sag."""
    middle = LINE_OHM * np.exp(LINE_SPREAD * float(np.clip(rng.normal(), -2.5, 2.5)))
    lines = middle * np.exp(UNLIKE * rng.normal(size=(len(bus), 1))) * (1 + 1j * rng.uniform(*REACTANCE))
    back = middle * rng.uniform(*NEUTRAL) * (1 + 1j * rng.uniform(*REACTANCE))
    back += rng.uniform(*LOOSE_OHM) if drop.has_loose_neutral else 0.0
    volts: Complex = bus
    for _ in range(ROUNDS):
        amps = np.conj(drop.line_va / volts) * np.minimum(np.abs(volts) / (0.7 * nominal), 1.0) ** 2
        volts = bus - lines * amps - back * amps.sum(axis=0)
    return volts


def _strangers(steps: int, minutes: float, rng: np.random.Generator) -> Complex:
    """Return what homes nobody monitors take from a line [W + j var]."""
    mean_w, lean_w = rng.uniform(*STRANGERS_W), rng.uniform(*STRANGERS_LEAN_W)
    day = np.arange(steps) * minutes / 1440 * 2 * np.pi
    common = mean_w * np.clip(1 + 0.4 * np.sin(day + rng.uniform(0, 6.3)), 0, None)
    taken: Complex = (common + lean_w * smooth_noise(rng, steps, max(20 / minutes, 0.2))) * np.complex128(
        1 + 0.25j
    )
    return taken
