"""A home's line voltages [V]: how the feeder moves, and each line's sag under its own current and the neutral's."""

from __future__ import annotations

import numpy as np

from pipeline.core.services import service_of
from pipeline.faults.circuit import Complex, Float
from pipeline.simulate.plan import HomePlan
from pipeline.simulate.sky import wander

LOOSE_NEUTRAL_OHM = (0.25, 0.8)
# Of homes with three lines: what a line and the neutral have, how unlike the lines are (spread of the logarithm).
LINE_OHM, NEUTRAL_OHM, UNLIKE = (0.01, 0.1), (0.01, 0.1), 0.25
# By how much of the nominal voltage the feeder moves each line on its own: for good, over hours, over minutes.
UNBALANCE = (0.004, 0.002, 0.0008)


def two_leg_volts(plan: HomePlan, load_w: Float, source_w: Float, *, rng: np.random.Generator) -> Float:
    """Return the voltages of a home with one or two lines [V], shape (lines, n).

    Parameters
    ----------
    plan
        The home.
    load_w, source_w
        Of each line [W], shape (lines, n).
    rng
        Of the home.
    """
    nominal = plan.volts
    feeder = _feeder(plan, rng)
    leg_ohm = float(rng.uniform(0.008, 0.05))
    neutral_ohm = float(rng.uniform(*(LOOSE_NEUTRAL_OHM if plan.hard == "loose_neutral" else (0.005, 0.04))))
    amps = (load_w - source_w) / nominal
    if len(load_w) == 1:
        alone: Float = np.clip(feeder - leg_ohm * amps, 0.8 * nominal, 1.2 * nominal)
        return alone
    neutral_v = neutral_ohm * (amps[0] - amps[1])
    v1 = feeder - leg_ohm * amps[0] - neutral_v
    v2 = feeder - leg_ohm * amps[1] + neutral_v
    both: Float = np.clip(np.stack([v1, v2]), 70.0, 170.0)
    return both


def three_line_volts(plan: HomePlan, net_va: Complex, rng: np.random.Generator) -> Float:
    """Return the voltages of a home with three lines [V], shape (3, n): sizes of phasors.

    Parameters
    ----------
    plan
        The home.
    net_va
        What it takes from each line [W + j var], negative feeding, shape (3, n).
    rng
        Of the home.
    """
    nominal, size, step = plan.volts, plan.window.size, plan.window.step
    turns = np.exp(1j * np.deg2rad(np.array(service_of(plan.service).degrees)))[:, None]
    feeder = _feeder(plan, rng)
    lasting, slow, fast = UNBALANCE
    own = [
        rng.normal(0.0, lasting)
        + slow * wander(rng, size, 600.0 / step)
        + fast * wander(rng, size, 15.0 / step)
        for _ in turns
    ]
    line_ohm = rng.uniform(*LINE_OHM) * np.exp(UNLIKE * rng.normal(size=(3, 1)))
    neutral_ohm = float(rng.uniform(*(LOOSE_NEUTRAL_OHM if plan.hard == "loose_neutral" else NEUTRAL_OHM)))
    supply = (feeder + nominal * np.stack(own)) * turns
    amps = np.conj(net_va / (nominal * turns))
    volts: Float = np.abs(supply - line_ohm * amps - neutral_ohm * amps.sum(axis=0))
    return np.clip(volts, 0.6 * nominal, 1.4 * nominal)


def _feeder(plan: HomePlan, rng: np.random.Generator) -> Float:
    """Return the feeder's voltage [V]: off nominal for good, moving over hours and over minutes."""
    size, step, nominal = plan.window.size, plan.window.step, plan.volts
    feeder = nominal * (1.0 + rng.normal(0.01, 0.012) + 0.006 * wander(rng, size, 600.0 / step))
    feeder += nominal * 0.002 * wander(rng, size, 15.0 / step)
    return feeder
