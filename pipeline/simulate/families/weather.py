"""Clouds and air temperature of an area, shared by its homes with local variation.

Own model: the sky is clear, broken or overcast by turns (a Markov chain of spells of hours, its mix drawn
an area and day); in each the clear-sky index has its own minute-scale process: near 1 with slow
haze; a two-state telegraph of cloud shadows with enhancement beside them; a slow autoregression near 0.3.
Clouds drift: a home sees the area's index some minutes earlier or later, and a passing shadow a little
deeper or shallower.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.faults.circuit import Float
from pipeline.simulate.families.spec import Area, UnlikeSpec
from pipeline.simulate.sky import smooth_noise
from pipeline.simulate.spec import seeded_rng

MARGIN_MIN = 120  # the area's series begins and ends this much outside the window
CLEAR, BROKEN, OVERCAST = 0, 1, 2
SPELL_H = (5.0, 3.0, 4.0)  # mean length of a spell of each
MIXES = ((0.75, 0.2, 0.05), (0.45, 0.35, 0.2), (0.25, 0.4, 0.35))  # dry, mixed, wet areas
SHADOW_MIN, GAP_MIN = (1.5, 12.0), (2.0, 20.0)  # mean length of shadows and of gaps in broken cloud


@dataclass(frozen=True)
class Weather:
    """Minute values of an area: `index` of clear sky (n + 2 MARGIN_MIN,), `air_c` [degrees C] (n,)."""

    index: Float
    air_c: Float


def _spells(rng: np.random.Generator, size: int, mix: tuple[float, ...]) -> NDArray[np.int64]:
    states: list[int] = []
    lengths: list[int] = []
    while sum(lengths) < size:
        state = int(rng.choice(3, p=mix))
        states.append(state)
        lengths.append(1 + int(60 * rng.exponential(SPELL_H[state])))
    return np.repeat(states, lengths)[:size]


def _telegraph(rng: np.random.Generator, size: int) -> Float:
    """Return broken cloud: gaps just above 1, shadows of drawn depth, edges of a minute or two."""
    shadow, gap = rng.uniform(*SHADOW_MIN), rng.uniform(*GAP_MIN)
    pairs = int(size / (shadow + gap) * 1.6) + 20
    lengths = np.c_[1 + rng.exponential(gap, pairs), 1 + rng.exponential(shadow, pairs)]
    levels = np.c_[1.0 + np.abs(rng.normal(0.04, 0.04, pairs)), rng.uniform(0.2, 0.75, pairs)]
    series = np.resize(np.repeat(levels, lengths.ravel().astype(int)), size)
    return np.convolve(series, [0.25, 0.5, 0.25], mode="same")


@lru_cache(maxsize=16)
def weather(spec: UnlikeSpec, number: int, area: Area) -> Weather:
    """Return the weather of the area of this number over the fleet's window."""
    rng = seeded_rng(spec.seed, 3, number)
    size = spec.steps + 2 * MARGIN_MIN
    states = _spells(rng, size, MIXES[int(rng.integers(len(MIXES)))])
    clear = 0.98 + smooth_noise(rng, size, 300.0, spread=0.02)
    overcast = np.clip(0.32 + smooth_noise(rng, size, 45.0, spread=0.12), 0.05, 0.8)
    index = np.choose(states, (clear, _telegraph(rng, size), overcast))
    index = np.convolve(np.pad(index, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    hour = (np.arange(spec.steps) + area.offset_min) / 60
    slow_c = smooth_noise(rng, spec.steps, 2880.0, spread=3.0)
    air = area.mean_c + 6.0 * np.sin((hour - 9.5) / 24 * 2 * np.pi) + slow_c
    return Weather(np.clip(index, 0.03, 1.25), air)


def seen_from_home(area: Weather, rng: np.random.Generator) -> Float:
    """Return the clear-sky index over one home, shape (n,): the area's clouds earlier or later, and its own edge."""
    drift = int(np.clip(rng.normal(0.0, 25.0), -MARGIN_MIN, MARGIN_MIN))
    steps = area.air_c.shape[0]
    seen = area.index[MARGIN_MIN + drift : MARGIN_MIN + drift + steps]
    local = smooth_noise(rng, steps, 6.0, spread=0.05)
    return np.clip(seen * (1.0 + local * (seen < 0.9)), 0.02, 1.3)
