"""When somebody is up and about in a home, and what they switch on then: cooking, washing, screens, work.

Own schedules, no survey: hours drawn a home and shifted a day, days away, people who work at home. All on a grid
of five minutes; `repeat` spreads it over the minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.faults.circuit import Float
from pipeline.simulate.families.panel import Panel

Index = NDArray[np.int64]
GRID_MIN = 5


@dataclass(frozen=True)
class People:
    """Presence on the grid, shape (n / 5,), 0 or 1: `is_in` (asleep too), `is_up`; `works_here`, a habit."""

    is_in: Float
    is_up: Float
    works_here: bool


@dataclass(frozen=True)
class Habit:
    """Something that is done now and then: times a day, hour and its spread, minutes it runs, W, tan, volts."""

    a_day: tuple[float, float]
    hour: tuple[float, float]
    minutes: tuple[float, float]
    watts: tuple[float, float]
    tan: float
    volts: int
    on_share: float = 1.0  # of its minutes that it takes power, by turns


HABITS = (
    Habit((0.6, 1.6), (18.2, 1.2), (12, 50), (1200, 3200), 0.0, 240, 0.6),  # range
    Habit((0.1, 0.5), (12.3, 0.7), (10, 30), (1000, 2400), 0.0, 240, 0.6),
    Habit((0.1, 0.5), (17.5, 1.5), (30, 70), (2200, 3800), 0.0, 240, 0.5),  # oven
    Habit((1.0, 3.5), (7.3, 0.8), (2, 7), (900, 1500), 0.0, 120),  # kettle, toaster, coffee
    Habit((0.8, 4.0), (15.0, 4.5), (1, 6), (900, 1500), 0.35, 120),  # microwave
    Habit((0.2, 0.8), (20.0, 1.5), (40, 100), (350, 1200), 0.2, 120, 0.5),  # dishwasher
    Habit((0.2, 0.9), (11.0, 3.5), (30, 60), (200, 550), 1.0, 120, 0.7),  # washing machine's motor
    Habit((0.2, 0.8), (13.0, 3.5), (35, 65), (3500, 5600), 0.08, 240, 0.75),  # dryer
    Habit((0.1, 0.5), (11.0, 3.0), (10, 40), (700, 1300), 0.6, 120),  # cleaner
    Habit((0.5, 6.0), (14.0, 5.0), (1, 4), (600, 1400), 1.1, 240),  # well pump: an induction motor
    Habit((0.3, 1.5), (7.6, 1.0), (4, 14), (900, 1700), 0.0, 120),  # hair dryer
)


def hours(local: Index) -> Float:
    """Return the local hour on the grid."""
    return (local[::GRID_MIN] % 1440) / 60


def repeat(grid: Float) -> Float:
    """Return the grid's values minute by minute."""
    return np.repeat(grid, GRID_MIN)


def draw_people(rng: np.random.Generator, local: Index, first_day: int) -> People:
    """Return who is in and up; `first_day` is the ordinal of the local day at local minute 0."""
    grid = local[::GRID_MIN]
    day, minute = grid // 1440, grid % 1440
    days = int(day[-1]) + 1
    works_here, never_out = rng.random() < 0.35, rng.random() < 0.2
    wake = rng.normal(rng.uniform(330, 480), 25, days)
    sleep = rng.normal(rng.uniform(1290, 1425), 30, days)
    leave = wake + rng.uniform(30, 110, days)
    back = rng.normal(rng.uniform(930, 1120), 40, days)
    is_rest = (first_day + np.arange(days)) % 7 > 5  # Sundays; Saturdays are errands too
    stays = rng.random(days) < np.where(is_rest, 0.6, 0.9 if never_out or works_here else 0.15)
    away = rng.random(days) < 0.03
    if rng.random() < 0.15:  # a journey
        begins = int(rng.integers(days))
        away[begins : begins + int(rng.integers(2, 9))] = True
    out = ~stays[day] & (minute >= leave[day]) & (minute < back[day])
    is_in = ~out & ~away[day]
    is_up = is_in & (minute >= wake[day]) & (minute < sleep[day])
    return People(is_in.astype(np.float64), is_up.astype(np.float64), bool(works_here))


def put_activities(panel: Panel, people: People, local: Index) -> None:
    """Put on the panel what people do: habits by the clock, screens while they are up, work by day."""
    rng = panel.rng
    days, first = int(local[-1] // 1440) + 1, int(local[0])
    for habit in HABITS:
        row = panel.circuit(habit.volts)
        watts, a_day = rng.uniform(*habit.watts), rng.uniform(*habit.a_day)
        count = int(rng.poisson(a_day * days))
        begins = (
            1440 * rng.integers(0, days, count) + (60 * rng.normal(*habit.hour, count)).astype(int) - first
        )
        lengths = rng.uniform(*habit.minutes, count).astype(int)
        on_min = max(1, round(6 * habit.on_share))
        for begin, minutes in zip(begins.tolist(), lengths.tolist(), strict=True):
            if not 0 <= begin < local.size or not people.is_in[begin // GRID_MIN]:
                continue
            end = begin + minutes
            for start in range(begin, end, 6) if habit.on_share < 1 else (begin,):
                stop = min(start + on_min, end) if habit.on_share < 1 else end
                panel.va[row, start:stop] += watts * (1 + 1j * habit.tan)
    busy = people.is_up * (rng.random(people.is_up.size // 24 + 1) < 0.6).repeat(24)[: people.is_up.size]
    panel.put(repeat(busy) * rng.uniform(40, 350), float(rng.uniform(-0.4, 0.4)))
    if people.works_here:
        hour = hours(local)
        at_work = repeat(people.is_in * (hour > 8.5) * (hour < 17.3))
        panel.put(at_work * rng.uniform(60, 420), float(rng.uniform(-0.5, 0.6)))
