"""Leg voltages by two unequal legs and a neutral, in closed form: no street of cables, no engine.

V1 = E1 - Z1 I1 - Zn (I1 + I2) and V2 alike, with phasors: on 120/240 the legs' currents cancel in the neutral.
Lengths, contacts and lugs make Z1 and Z2 differ from home to home; the neutral has half to three times a leg's
impedance. E moves with the supply (a daily swing, taps, wander), with everything on the transformer, with homes
that nobody monitors, a little more on one leg than on the other.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.core.services import service_of
from pipeline.faults.circuit import Complex, Float
from pipeline.simulate.families.street import Drop
from pipeline.simulate.sky import smooth_noise

LEG_OHM, LEG_SPREAD = 0.008, 0.4  # median resistance of a leg from the transformer, spread of its logarithm
UNLIKE = 0.4  # spread of the logarithm of each leg's own part: what V1 - V2 shows of both legs then differs by a fifth
NEUTRAL = (0.5, 3.0)  # times a leg
REACTANCE = (0.15, 0.9)  # of resistance
SHARED_OHM = (0.002, 0.008)  # transformer and secondary, a leg
LOOSE_OHM = (0.15, 1.2)
SUPPLY_PU, TAP_PU = (0.985, 1.035), 0.00625
STRANGERS_W, STRANGERS_LEAN_W = (1500.0, 9000.0), (50.0, 600.0)
ROUNDS = 4  # of constant power: currents by the voltages of the round before


def solve_service(
    service: str, drops: Sequence[Drop], *, minutes: float, rng: np.random.Generator
) -> list[tuple[Float, Float]]:
    """Return each home's leg-to-neutral voltages (v1, v2) [V rms], shape (n,) each; v2 is 0 on "single".

    Parameters
    ----------
    service
        Of all homes on the transformer.
    drops
        What each home takes.
    minutes, rng
        Length of a step; the home's random numbers.
    """
    steps, nominal = drops[0].leg_1_va.shape[0], 240.0 if service == "single" else 120.0
    turn = np.exp(1j * np.deg2rad(service_of(service).degrees[-1]))
    supply = nominal * draw_supply(steps, minutes, rng)
    shared = rng.uniform(*SHARED_OHM) * (1 + 1j * rng.uniform(0.5, 2.0))
    if service == "single":  # out and back
        shared *= 2
    at_start = [_currents(service, drop, nominal + 0j, nominal * turn) for drop in drops]
    strangers = [power / nominal for power in _strangers(steps, minutes, rng)]
    bus_1 = supply - shared * (sum(one for one, _ in at_start) + strangers[0])
    bus_2 = turn * (supply - shared * (sum(two for _, two in at_start) / turn + strangers[1]))
    volts = []
    for drop in drops:
        z_1, z_2, z_n = draw_impedances(rng, drop.has_loose_neutral)
        v_1, v_2 = bus_1, bus_2
        for _ in range(ROUNDS):
            i_1, i_2 = _currents(service, drop, v_1, v_2)
            back = z_n * (i_1 + i_2)
            v_1, v_2 = bus_1 - z_1 * i_1 - back, bus_2 - z_2 * i_2 - back
        volts.append((np.abs(v_1), np.abs(v_2) if service != "single" else np.zeros(steps)))
    return volts


def draw_impedances(rng: np.random.Generator, is_loose: bool = False) -> tuple[complex, complex, complex]:
    """Return a home's impedance of leg 1, leg 2 and neutral [ohm]."""
    middle = LEG_OHM * np.exp(LEG_SPREAD * float(np.clip(rng.normal(), -2.5, 2.5)))
    parts = [*(middle * np.exp(UNLIKE * rng.normal(size=2))), middle * np.exp(rng.uniform(*np.log(NEUTRAL)))]
    leg_1, leg_2, back = (complex(part * (1 + 1j * rng.uniform(*REACTANCE))) for part in parts)
    return leg_1, leg_2, back + (rng.uniform(*LOOSE_OHM) if is_loose else 0.0)


def _currents(
    service: str, drop: Drop, v_1: Complex | complex, v_2: Complex | complex
) -> tuple[Complex, Complex]:
    """Return what the home draws from each leg [A]: constant power near nominal, less in a deep sag."""
    nominal = 240.0 if service == "single" else 120.0

    def by(power: Complex, volts: Complex | complex, least: float) -> Complex:
        drawn: Complex = np.conj(power / volts) * np.minimum(np.abs(volts) / least, 1.0) ** 2
        return drawn

    if service == "single":
        leg_1 = by(drop.leg_1_va, v_1, 0.7 * nominal)
        return leg_1, np.zeros_like(leg_1)
    across = v_1 - v_2
    turn = np.exp(1j * np.deg2rad(service_of(service).degrees[1]))
    line = by(drop.line_va, across, 0.7 * nominal * abs(1 - turn))
    return by(drop.leg_1_va, v_1, 0.7 * nominal) + line, by(drop.leg_2_va, v_2, 0.7 * nominal) - line


def draw_supply(steps: int, minutes: float, rng: np.random.Generator) -> Float:
    """Return the supply's voltage [per unit]: two waves a day, taps that follow a limit, wander and noise."""
    day = np.arange(steps) * minutes / 1440 * 2 * np.pi
    swing = rng.uniform(0.002, 0.01) * np.sin(day + rng.uniform(0, 6.3)) + rng.uniform(0, 0.004) * np.sin(
        2 * day + rng.uniform(0, 6.3)
    )
    wander = rng.uniform(0.002, 0.006) * smooth_noise(rng, steps, 400 / minutes)
    # a regulator moves once its voltage has left a band: whole taps against swing and wander
    taps = -TAP_PU * np.round(rng.uniform(0.3, 0.9) * (swing + wander) / TAP_PU)
    return rng.uniform(*SUPPLY_PU) + swing + wander + taps + 0.0008 * rng.normal(size=steps)


def _strangers(steps: int, minutes: float, rng: np.random.Generator) -> tuple[Complex, Complex]:
    """Return what homes nobody monitors draw from each leg of the transformer [W + j var]."""
    mean_w, lean_w = rng.uniform(*STRANGERS_W), rng.uniform(*STRANGERS_LEAN_W)
    day = np.arange(steps) * minutes / 1440 * 2 * np.pi
    wave, slow = np.sin(day + rng.uniform(0, 6.3)), smooth_noise(rng, steps, max(30 / minutes, 0.2))
    common = mean_w * np.clip(1 + 0.4 * wave + 0.4 * slow, 0, None)
    apart = lean_w * smooth_noise(rng, steps, max(20 / minutes, 0.2))
    on_1, on_2 = (part.astype(np.complex128) for part in (common / 2 + apart, common / 2 - apart))
    return on_1 * (1 + 0.25j), on_2 * (1 + 0.25j)
