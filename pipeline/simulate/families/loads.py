"""The loads of a home of family "crest", dealt to legs and bundles: appliance by appliance, at one minute.

Every 120 V appliance and lamp circuit sits on one leg, in one of the two bundles in which that leg's
conductors leave the panel; every 240 V load is in one bundle of both legs. So each event of the CREST
model steps one leg (or both), and one bundle.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.faults.circuit import Float
from pipeline.simulate.families import heavy
from pipeline.simulate.families.crest import (
    COLD,
    LAMP_SCALE,
    LAMP_TAN,
    NAMEPLATE,
    SLOTS,
    WORKDAYS,
    Pool,
    read_household,
)
from pipeline.simulate.families.panel import Loads, Panel
from pipeline.simulate.families.spec import Area, Home, UnlikeSpec

WATER, HEAT, CAR = (3800.0, 4500.0, 5500.0), (1800.0, 2600.0, 3500.0, 4600.0), (3300.0, 7200.0, 9600.0)
HEAT_TAN, FAN_W, FAN_TAN = 0.45, (180.0, 450.0), 0.35


def draw_loads(
    spec: UnlikeSpec, home: Home, area: Area, *, air_c: Float, pool: Path, rng: np.random.Generator
) -> Loads:
    """Return the home's loads.

    Parameters
    ----------
    spec, home, area
        The fleet, the home and where it is.
    air_c
        Outdoor air a minute [degrees C], shape (n,).
    pool, rng
        Folder of the CREST model's households, by `crest.write_households`; the home's random numbers.
    """
    local = area.local_minutes(spec.steps)
    power, occupants = _household_days(spec, local, pool, rng)
    is_vacant = home.hard == "vacant"
    lean, bundle_lean = rng.uniform(0.3, 0.7), rng.uniform(0.3, 0.7)
    panel = Panel(spec.steps, rng, lean=lean, bundle_lean=bundle_lean, service=home.service)
    for slot in range(SLOTS):
        scale, volts, tan = NAMEPLATE.get(slot, (LAMP_SCALE * rng.uniform(0.5, 2.0), 120, LAMP_TAN))
        row = panel.circuit(volts)
        factor = scale * rng.uniform(0.85, 1.15) * (1 + 1j * tan * rng.uniform(0.8, 1.2))
        if not is_vacant or slot in COLD:
            panel.va[row] += factor * power[:, slot].reshape(-1)[local[0] : local[-1] + 1]
    count, size_w = ((3, 8), (1.5, 14.0)) if is_vacant else ((2, 6), (8.0, 45.0))
    for _ in range(int(rng.integers(*count))):  # router, clocks, chargers, alarms: always on
        panel.va[panel.circuit(120)] += rng.uniform(*size_w) * (1 + 0.3j)
    has_tank, has_pump = rng.random() < 0.5, rng.random() < 0.6
    if is_vacant:
        return panel.loads()
    if has_tank:
        panel.va[panel.circuit(240)] += heavy.water_heater(rng, occupants, float(rng.choice(WATER)))
    if has_pump:
        cycles = heavy.heat_pump(rng, air_c, float(rng.choice(HEAT)))
        panel.put(cycles, HEAT_TAN, volts=240)
        panel.put(np.where(cycles > 0, rng.uniform(*FAN_W), 0.0), FAN_TAN)
    if home.hard == "ev_all_night":
        charger_w, volts = heavy.draw_slow_charger(rng)
        panel.va[panel.circuit(volts)] += heavy.car_all_night(rng, local, charger_w)
    elif home.has_ev:
        charger_w = float(rng.choice(CAR))
        panel.va[panel.circuit(240)] += heavy.car(rng, occupants, local, charger_w=charger_w)
    return panel.loads()


def _household_days(
    spec: UnlikeSpec, local: NDArray[np.int64], pool: Path, rng: np.random.Generator
) -> tuple[Pool, Float]:
    """Deal days of one household of the pool: power (days, SLOTS, 1440) [W] and active occupants (n,)."""
    count = len(list(pool.glob("power-*.npy")))
    power, people = read_household(pool, int(rng.integers(count)))
    workdays = min(WORKDAYS, power.shape[0])
    first = spec.start.date().toordinal() - 1  # the local day before the window's
    days = int(local[-1] // 1440) + 1
    is_rest = np.array([(first + day) % 7 in (6, 0) for day in range(days)])  # ordinal 6, 7: Saturday, Sunday
    resting = rng.integers(workdays, max(power.shape[0], workdays + 1), days) % power.shape[0]
    chosen = np.where(is_rest, resting, rng.integers(0, workdays, days))
    occupants = np.repeat(people[chosen].astype(np.float64).reshape(-1), 10)
    return power[chosen], occupants[local[0] : local[-1] + 1]
