"""A home's true powers, what takes its sun away, and its powers in family "crest"."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.families import heavy
from pipeline.simulate.families.array import Roof, production
from pipeline.simulate.families.home import Area, Home
from pipeline.simulate.families.loads import Loads, draw_loads, local_minutes
from pipeline.simulate.families.spec import UnlikeSpec
from pipeline.simulate.families.weather import seen_from_home, weather

Float = NDArray[np.float64]
STANDBY_W, STANDBY_SHARE = (1.0, 6.0), 0.5  # what some inverters take in the dark
BATTERY_W, BATTERY_KWH = (3300.0, 5000.0, 7600.0), (9.0, 13.5, 20.0)


@dataclass(frozen=True)
class Powers:
    """True powers of a home at one minute: loads, `pv_w`, `battery_w` and `hidden_w` of a second array [W].

    `pv_w` is a few watts negative in the dark where the inverter has a standby. `pv_tan` is the reactive
    over the real power that the monitored inverter gives, positive giving [var/W]; None at power factor 1.
    """

    loads: Loads
    pv_w: Float
    battery_w: Float
    hidden_w: Float
    pv_tan: Float | None = None

    @property
    def pv_va(self) -> NDArray[np.complex128] | Float:
        """What the monitored inverter gives [W + j var]."""
        return self.pv_w if self.pv_tan is None else self.pv_w * (1 + 1j * self.pv_tan)


def crest_powers(spec: UnlikeSpec, home: Home, area: Area, pool: Path, rng: np.random.Generator) -> Powers:
    """Return the powers of a home whose loads are the CREST model's."""
    sky = weather(spec.seed, home.area, spec.steps, area.offset_min, area.mean_c)
    loads = draw_loads(spec, home, area, sky.air_c, pool, rng)
    pv_w, hidden_w = np.zeros(spec.steps), np.zeros(spec.steps)
    if home.roof is not None:
        index = seen_from_home(sky, rng)
        pv_w = production(home.roof, spec.start, index, sky.air_c) * covered(spec, home, rng)
        pv_w = with_standby(pv_w, rng)
        if home.hard == "second_array":
            hidden_w = production(other_roof(home.roof, rng), spec.start, index, sky.air_c)
    battery_w = np.zeros(spec.steps)
    if home.battery:
        net_w = loads.va.real.sum(axis=0) - pv_w - hidden_w
        hour = (local_minutes(spec, area) % 1440) / 60
        battery_w = heavy.battery(
            rng, net_w, hour, float(rng.choice(BATTERY_W)), float(rng.choice(BATTERY_KWH)),
            home.battery == "exports",
        )  # fmt: skip
    return Powers(loads, pv_w, battery_w, hidden_w)


def with_standby(pv_w: Float, rng: np.random.Generator) -> Float:
    """Return production that is a few watts negative in the dark, in some homes."""
    standby_w = float(rng.uniform(*STANDBY_W)) * (rng.random() < STANDBY_SHARE)
    return np.where(pv_w > 0, pv_w, -standby_w)


def other_roof(roof: Roof, rng: np.random.Generator) -> Roof:
    """Return the roof of a second array that nobody monitors."""
    return Roof(
        roof.latitude, roof.longitude, float(rng.uniform(5, 40)), float(rng.uniform(80, 280)),
        *(roof.ac_kw * rng.uniform(0.3, 1.0) * np.array([1.2, 1.0])),
    )  # fmt: skip


def covered(spec: UnlikeSpec, home: Home, rng: np.random.Generator) -> Float:
    """Return the share of production that an outage or snow leaves, a minute."""
    left = np.ones(spec.steps)
    if home.hard == "pv_outage":
        first = int(rng.uniform(0, 0.7) * spec.steps)
        length = spec.steps if rng.random() < 0.4 else int(rng.uniform(0.1, 0.5) * spec.steps)
        left[first : first + length] = 0.0
    if home.hard == "snow":
        first = int(rng.uniform(0, 0.4) * spec.steps)
        length = int(rng.uniform(0.2, 0.6) * spec.steps)
        left[first : first + length] = rng.uniform(0, 0.05)
        thaw = left[first + length : first + length + 2880]
        thaw[:] = np.linspace(0.05, 1.0, 2880)[: thaw.size]
    return left
