"""Household loads at one minute, appliance by appliance, from the CREST model (package richardsonpy).

The model (Richardson et al., Energy and Buildings 42:1878, 2010) draws a household's active occupants
from time-use surveys and starts each appliance and lamp by them. Its appliances are European; NAMEPLATE
says what stands for each in a North American home: hob, oven and tumble dryer become 240 V loads, what
has to fit a 120 V outlet is smaller, and lamps are mostly LED. A day of a household takes about 30 ms, so
a fleet shares a pool: `pool_size` households of up to 10 days each (7 working days, 3 of a weekend), at
most 250 x 10 distinct household-days. Every home deals another household's days in another order, with
its own ratings, legs and bundles.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.families.extra import need

# CREST's appliance number: (N. American rating over the model's, volts, tan of the displacement angle).
# Cycle powers of European 230 V appliances against 120 V outlets (15 A x 80 %) and 240 V ranges: own estimates.
NAMEPLATE: dict[int, tuple[float, int, float]] = {
    **dict.fromkeys(range(4), (0.85, 120, 0.62)),
    **dict.fromkeys(range(4, 19), (1.0, 120, 0.3)),
    10: (0.6, 120, 0.45),  # vacuum cleaner
    19: (1.0, 240, 0.0),  # hob: a range's surface elements
    20: (1.3, 240, 0.0),  # oven
    21: (1.0, 120, 0.35),  # microwave
    22: (0.7, 120, 0.0),  # kettle
    23: (1.0, 120, 0.0),  # small cooking
    24: (0.95, 120, 0.15),  # dishwasher
    25: (1.9, 240, 0.08),  # dryer
    26: (0.35, 120, 0.6),  # washing machine: filled with hot water
}
COLD = (0, 1, 2, 3)
LAMP_CIRCUITS = 3
LAMP_SCALE, LAMP_TAN = 0.35, -0.2  # LED for incandescent; slightly leading
SLOTS = 27 + LAMP_CIRCUITS
MOST_HOUSEHOLDS = 250
WORKDAYS, WEEKEND_DAYS = 7, 3

Pool = NDArray[np.uint16]


def pool_size(sites: int) -> int:
    """Return how many distinct households a fleet of so many homes shares."""
    return int(np.clip(sites, 6, MOST_HOUSEHOLDS))


@contextmanager
def _seeded(seed: int, *modules: ModuleType) -> Iterator[random.Random]:
    """The package's modules draw from Python's global generator, which other threads draw from too: lend them one."""
    generator = random.Random(seed)
    for module in modules:
        module.random = generator  # type: ignore[attr-defined]
    try:
        yield generator
    finally:
        for module in modules:
            module.random = random  # type: ignore[attr-defined]


def _daylight() -> list[float]:
    """Return outdoor irradiance over a day that the lamps answer to [W/m2], one value a minute."""
    hours = np.arange(1440) / 60
    sun: list[float] = (700 * np.clip(np.sin((hours - 6) / 13.5 * np.pi), 0, None) * (hours > 6)).tolist()
    return sun


def household(seed: int, workdays: int = WORKDAYS, weekend_days: int = WEEKEND_DAYS) -> tuple[Pool, Pool]:
    """Return one household's days: power [W] of shape (days, SLOTS, 1440), and occupants (days, 144).

    Slots 0 to 26 are CREST's appliances by number, the rest are circuits of lamps. Working days come
    first, then days of a weekend.

    Raises
    ------
    InputError
        The package is not installed.
    """
    occupancy = need("richardsonpy.classes.occupancy")
    appliance = need("richardsonpy.classes.appliance")
    lighting = need("richardsonpy.classes.lighting")
    chain = need("richardsonpy.functions.occupancy_model")
    wrapper = need("richardsonpy.classes.stochastic_el_load_wrapper")
    inputs = Path(str(need("richardsonpy").__file__)).parent / "inputs"
    power = np.zeros((workdays + weekend_days, SLOTS, 1440), dtype=np.uint16)
    people = np.zeros((workdays + weekend_days, 144), dtype=np.uint16)
    daylight = _daylight()
    with _seeded(seed, occupancy, appliance, lighting, chain) as generator:
        members = generator.choices((1, 2, 3, 4, 5), (28, 34, 16, 14, 8))[0]
        owned = appliance.Appliances(
            str(inputs / "Appliances.csv"),
            annual_consumption=generator.uniform(1800, 3600),
            randomize_appliances=True,
            prev_heat_dev=True,
        )
        for stove in (19, 20):  # every kitchen has a range
            owned.data[stove][0] = 1
        bulbs = lighting.load_lighting_profile(str(inputs / "LightBulbs.csv"), generator.randrange(100))
        profile = wrapper.ElectricityProfile(owned, bulbs)
        for first, count, kind in ((0, workdays, "wd"), (workdays, weekend_days, "we")):
            if not count:
                continue
            home = occupancy.Occupancy(members, initial_day=1 if kind == "wd" else 6, do_profile=False)
            home.gen_occ_profile(1)  # loads the package's tables
            for day in range(first, first + count):
                states = home._get_occupancy(kind == "we")
                run = appliance.run_application_simulation(
                    states, owned, profile.activity_statistics[kind], 6
                )
                lamps = lighting.run_lighting_simulation(states, bulbs, daylight, profile.lighting_config)
                power[day, :27] = np.clip(np.asarray(run[:27]), 0, None)
                for circuit in range(LAMP_CIRCUITS):
                    lit = lamps[circuit::LAMP_CIRCUITS]
                    if lit:
                        power[day, 27 + circuit] = np.sum(lit, axis=0)
                people[day] = states
    return power, people


def write_households(folder: Path, seeds: list[tuple[int, int]], *, workdays: int, weekend_days: int) -> None:
    """Write households into the pool's folder.

    Parameters
    ----------
    folder
        Of the pool.
    seeds
        Number and seed of each household.
    workdays, weekend_days
        Days of each.
    """
    for number, seed in seeds:
        power, people = household(seed, workdays, weekend_days)
        np.save(folder / f"power-{number}.npy", power)
        np.save(folder / f"people-{number}.npy", people)


@lru_cache(maxsize=300)
def read_household(folder: Path, number: int) -> tuple[Pool, Pool]:
    """Return a household of the pool, as `household` gave it; the power is mapped, not read."""
    return (np.load(folder / f"power-{number}.npy", mmap_mode="r"), np.load(folder / f"people-{number}.npy"))
