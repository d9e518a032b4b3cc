"""The loads of one home, dealt to legs and bundles: appliance by appliance, at one minute.

Every 120 V appliance and lamp circuit sits on one leg, in one of the two bundles in which that leg's
conductors leave the panel; every 240 V load is in one bundle of both legs. So each event of the CREST
model steps one leg (or both), and one bundle.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

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
from pipeline.simulate.families.home import Area, Home
from pipeline.simulate.families.spec import UnlikeSpec

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]
WATER, HEAT, CAR = (3800.0, 4500.0, 5500.0), (1800.0, 2600.0, 3500.0, 4600.0), (3300.0, 7200.0, 9600.0)
SMALL_CAR = (1400.0, 3300.0, 5800.0)
HEAT_TAN, FAN_W, FAN_TAN = 0.45, (180.0, 450.0), 0.35
GROUPS = 6  # leg 1 bundle a, b; leg 2 bundle a, b; between the legs bundle a, b


@dataclass(frozen=True)
class Loads:
    """Loads [W + j var] at one minute, shape (6, n): leg 1 bundle a, b; leg 2 a, b; between the legs a, b."""

    va: Complex

    def leg(self, leg: int) -> Complex:
        """Return what stands between this leg and neutral [W + j var]."""
        one: Complex = self.va[0] + self.va[1] if leg == 1 else self.va[2] + self.va[3]
        return one

    @property
    def line(self) -> Complex:
        """What stands between the legs [W + j var]."""
        between: Complex = self.va[4] + self.va[5]
        return between


def local_minutes(spec: UnlikeSpec, area: Area) -> NDArray[np.int64]:
    """Return the local clock of every minute of the window, in minutes since the local midnight before it."""
    return np.arange(spec.steps, dtype=np.int64) + 1440 + area.offset_min


def draw_loads(
    spec: UnlikeSpec, home: Home, area: Area, air_c: Float, pool: Path, rng: np.random.Generator
) -> Loads:
    """Return the home's loads; `pool` holds `households` of the CREST model (crest.write_households)."""
    local = local_minutes(spec, area)
    power, occupants = _household_days(spec, local, pool, rng)
    is_vacant = home.hard == "vacant"
    va: Complex = np.zeros((GROUPS, spec.steps), dtype=np.complex128)
    lean = rng.uniform(0.3, 0.7)  # share of circuits on leg 1
    bundle_lean = rng.uniform(0.3, 0.7)
    for slot in range(SLOTS):
        scale, volts, tan = NAMEPLATE.get(slot, (LAMP_SCALE * rng.uniform(0.5, 2.0), 120, LAMP_TAN))
        group = _group(rng, volts, lean, bundle_lean)
        own = scale * rng.uniform(0.85, 1.15) * (1 + 1j * tan * rng.uniform(0.8, 1.2))
        if not is_vacant or slot in COLD:
            va[group] += own * power[:, slot].reshape(-1)[local[0] : local[-1] + 1]
    count, size_w = ((3, 8), (1.5, 14.0)) if is_vacant else ((2, 6), (8.0, 45.0))
    for _ in range(int(rng.integers(*count))):  # router, clocks, chargers, alarms: always on
        va[_group(rng, 120, lean, bundle_lean)] += rng.uniform(*size_w) * (1 + 0.3j)
    if is_vacant:
        occupants = np.zeros_like(occupants)
    _add_heavy(home, va, occupants, air_c, local, rng, lean, bundle_lean)
    if home.service == "single":  # there is no leg 2
        va[0:2] += va[2:4]
        va[2:4] = 0.0
    return Loads(va)


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


def _group(rng: np.random.Generator, volts: int, lean: float, bundle_lean: float) -> int:
    bundle = int(rng.random() > bundle_lean)
    if volts == 240:
        return 4 + bundle
    return (0 if rng.random() < lean else 2) + bundle


def _add_heavy(
    home: Home,
    va: Complex,
    occupants: Float,
    air_c: Float,
    local: NDArray[np.int64],
    rng: np.random.Generator,
    lean: float,
    bundle_lean: float,
) -> None:
    """Add tank, heat pump and car to `va` where the home has them."""
    has_tank, has_pump = rng.random() < 0.5, rng.random() < 0.6
    if home.hard == "vacant":
        return
    if has_tank:
        va[_group(rng, 240, lean, bundle_lean)] += heavy.water_heater(
            rng, occupants, float(rng.choice(WATER))
        )
    if has_pump:
        cycles = heavy.heat_pump(rng, air_c, float(rng.choice(HEAT)))
        va[_group(rng, 240, lean, bundle_lean)] += cycles * (1 + 1j * HEAT_TAN)
        fan_w = rng.uniform(*FAN_W) * (cycles > 0)
        va[_group(rng, 120, lean, bundle_lean)] += fan_w * (1 + 1j * FAN_TAN)
    if home.hard == "ev_all_night":
        charger_w = float(rng.choice(SMALL_CAR))
        volts = 120 if charger_w < 2000 else 240  # a slow one hangs on an outlet
        va[_group(rng, volts, lean, bundle_lean)] += heavy.car_all_night(rng, local, charger_w)
    elif home.has_ev:
        charger_w = float(rng.choice(CAR))
        va[_group(rng, 240, lean, bundle_lean)] += heavy.car(rng, occupants, local, charger_w)
