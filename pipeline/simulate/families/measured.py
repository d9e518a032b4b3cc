"""Loads of measured circuits, dealt and bootstrapped by days.

Every local day of a home is made of whole measured days of one household, another day for each circuit,
so that circuits don't know of each other; each has its own size and its own hours. What no sub-meter sees
is dealt to legs and bundles by `measurements.deal`. Only the car (the household had none), the battery and
clouds within a quarter of an hour are models.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.core.services import UNKNOWN
from pipeline.faults.circuit import Complex, Float
from pipeline.simulate.connections import drawn_lines, row_of
from pipeline.simulate.families import heavy
from pipeline.simulate.families.loads import CAR
from pipeline.simulate.families.measurements import deal, household
from pipeline.simulate.families.panel import Loads, count_rows
from pipeline.simulate.families.spec import Area, Home, UnlikeSpec
from pipeline.simulate.service_draws import draw_line_shares, draw_load_lines

Index = NDArray[np.int64]
Bool = NDArray[np.bool_]

MOST_MISSING_MIN = 10  # of a day, filled with the minute before
NEAR_DAYS = 30  # a measured day within so many of the date is of its season
OPPOSITE_SHARE = 0.35  # homes that live by the opposite season: heat in June, or cold
QUIET_DAYS = 25  # the household was away for a month
VACANT_W = (15.0, 90.0)
MOST_SHIFT_MIN = 60
TWO_HOUSEHOLDS_SHARE, NO_HEATER_SHARE = 0.3, 0.2
KITCHEN_240_SHARE, LAUNDRY_240_SHARE = 0.35, 0.5
LEAN = (0.2, 0.8)  # share of what no sub-meter sees that leans to leg 1
# logarithm's middle and spread of a circuit's size over the measured one
REST_SIZE, SUB_SIZE, HEATER_SIZE = (-0.1, 0.4), (0.0, 0.4), (0.4, 0.5)


@dataclass(frozen=True)
class MeasuredDays:
    """Whole measured days of the household, shape (days, 1440), at its wall clock.

    Powers [W]; `tan` is the reactive over the real power of all that isn't the heater. `day_of_year` and
    `is_rest` (Saturday, Sunday), shape (days,); `quiet` are the days on which least happened.
    """

    watts: dict[str, NDArray[np.float32]]
    tan: NDArray[np.float32]
    day_of_year: Index
    is_rest: Bool
    quiet: Index


@dataclass(frozen=True)
class MeasuredCircuit:
    """A circuit of a home: "rest" (dealt to legs and bundles), "kitchen", "laundry" or "heater".

    `days` of MeasuredDays, one a local day; `sizes` (rows,) how much larger than measured it is in each row of
    Loads; `later_min` by how much later than measured it lives.
    """

    name: str
    days: Index
    sizes: Float
    later_min: int


@lru_cache(maxsize=1)
def measured_days() -> MeasuredDays:
    """Return the household's whole days, once a process."""
    rows = household()
    first = rows["wall_time"][0].date()
    minute = ((rows["wall_time"] - rows["wall_time"].dt.date()[0]).dt.total_minutes()).to_numpy()
    count = int(minute[-1]) // 1440 + 1
    is_known = np.zeros(count * 1440, dtype=bool)
    is_known[minute] = True
    latest = np.maximum.accumulate(np.where(is_known, np.arange(count * 1440), 0))
    is_whole = is_known.reshape(count, 1440).sum(axis=1) >= 1440 - MOST_MISSING_MIN

    def days_of(column: str) -> NDArray[np.float32]:
        flat = np.zeros(count * 1440, dtype=np.float32)
        flat[minute] = rows[column].to_numpy()
        whole: NDArray[np.float32] = flat[latest].reshape(count, 1440)[is_whole]
        return whole

    # sub-meters count whole Wh: by a minute they may be ahead of the total
    watts = {name: np.maximum(days_of(f"{name}_w"), 0) for name in ("rest", "kitchen", "laundry", "heater")}
    dates = [date.fromordinal(first.toordinal() + int(day)) for day in np.flatnonzero(is_whole)]
    busiest_w = np.quantile(watts["rest"], 0.95, axis=1)
    return MeasuredDays(
        watts=watts,
        tan=days_of("total_var") / np.maximum(watts["rest"] + watts["kitchen"] + watts["laundry"], 1),
        day_of_year=np.array([day.timetuple().tm_yday for day in dates]),
        is_rest=np.array([day.weekday() >= 5 for day in dates]),
        quiet=np.argsort(busiest_w, kind="stable")[:QUIET_DAYS],
    )


@cache
def day_bundles(day: int) -> NDArray[np.float32]:
    """Return a day's rest dealt to leg 1 bundle a, b, leg 2 bundle a, b [W], shape (4, 1440); once a process."""
    legs = deal(measured_days().watts["rest"][day].astype(np.float64))
    return np.array([bundle for leg in legs for bundle in deal(leg)], dtype=np.float32)


@cache
def day_thirds(day: int) -> NDArray[np.float32]:
    """Return a day's rest dealt to three lines' bundles a, b [W], shape (6, 1440): half to line 1, a quarter each."""
    one, others = deal(measured_days().watts["rest"][day].astype(np.float64))
    return np.array([bundle for line in (one, *deal(others)) for bundle in deal(line)], dtype=np.float32)


def draw_loads(spec: UnlikeSpec, home: Home, area: Area, *, rng: np.random.Generator) -> Loads:
    """Return the home's loads: its measured circuits and its car.

    Parameters
    ----------
    spec, home, area, rng
        The fleet, the home and where it is; the home's random numbers.
    """
    local = area.local_minutes(spec.steps)
    va: Complex = np.zeros((count_rows(home.service), spec.steps), dtype=np.complex128)
    for circuit in draw_circuits(spec, home, local, rng=rng):
        va += _circuit_va(circuit, local)
    if home.hard == "ev_all_night":
        charger_w, volts = heavy.draw_slow_charger(rng)
        va[_draw_row(rng, home.service, volts == 240)] += heavy.car_all_night(rng, local, charger_w)
    elif home.has_ev and home.hard != "vacant":
        watts = va[: 2 * drawn_lines(home.service)].real.sum(axis=0)
        is_home = (watts > np.median(watts)).astype(np.float64)  # somebody who comes home switches things on
        va[_draw_row(rng, home.service, True)] += heavy.car(
            rng, is_home, local, charger_w=float(rng.choice(CAR))
        )
    return Loads.on_service(home.service, va)


def draw_circuits(
    spec: UnlikeSpec, home: Home, local: Index, *, rng: np.random.Generator
) -> list[MeasuredCircuit]:
    """Return the circuits of a home.

    Parameters
    ----------
    spec, home
        The fleet and the home.
    local, rng
        Its local clock a minute, by `Area.local_minutes`, shape (n,); the home's random numbers.
    """
    table = measured_days()
    count = int(local[-1] // 1440) + 1
    later = rng.integers(-MOST_SHIFT_MIN, MOST_SHIFT_MIN + 1, 5)
    if home.hard == "vacant":
        days = rng.choice(table.quiet, count)
        size = rng.uniform(*VACANT_W) / float(table.watts["rest"][days].mean())
        return [MeasuredCircuit("rest", days, _rest_sizes(rng, size, home.service), int(later[0]))]
    opposite = rng.random() < OPPOSITE_SHARE
    first = spec.start.date().toordinal() - 1  # the local day before the window's
    days = np.array(
        [_like_days(rng, date.fromordinal(first + day), opposite, later.size) for day in range(count)]
    )
    circuits = [
        MeasuredCircuit(
            "rest", days[:, 0], _rest_sizes(rng, _draw_size(rng, REST_SIZE), home.service), int(later[0])
        )
    ]
    if rng.random() < TWO_HOUSEHOLDS_SHARE:
        sizes = _rest_sizes(rng, _draw_size(rng, REST_SIZE), home.service)
        circuits.append(MeasuredCircuit("rest", days[:, 1], sizes, int(later[1])))
    has_heater = rng.random() >= NO_HEATER_SHARE
    sub_meters = (
        ("kitchen", rng.random() < KITCHEN_240_SHARE, _draw_size(rng, SUB_SIZE)),
        ("laundry", rng.random() < LAUNDRY_240_SHARE, _draw_size(rng, SUB_SIZE)),
        ("heater", True, _draw_size(rng, HEATER_SIZE) * has_heater),
    )
    for column, (name, is_between, size) in enumerate(sub_meters, start=2):
        sizes = np.zeros(count_rows(home.service))
        sizes[_draw_row(rng, home.service, is_between)] = size
        circuits.append(MeasuredCircuit(name, days[:, column], sizes, int(later[column])))
    return circuits


def _circuit_va(circuit: MeasuredCircuit, local: Index) -> Complex:
    """Return what a circuit takes in each row [W + j var], shape (rows, n)."""
    table, days, rows = measured_days(), circuit.days, circuit.sizes.size
    if circuit.name == "rest":
        dealt = day_bundles if rows == count_rows(UNKNOWN) else day_thirds
        watts = np.stack([dealt(int(day)) for day in days], axis=1)
        watts = watts.reshape(len(watts), -1)
    else:
        watts = np.broadcast_to(table.watts[circuit.name][days].reshape(-1), (rows, 1440 * days.size))
    tan = 0.0 * watts[0] if circuit.name == "heater" else table.tan[days].reshape(-1)
    # the first and last local day have hours to spare
    minutes = np.arange(local[0], local[-1] + 1) - circuit.later_min
    factor = 1 + 1j * tan.take(minutes, mode="wrap")
    va: Complex = np.zeros((rows, local.size), dtype=np.complex128)
    for group in np.flatnonzero(circuit.sizes):
        va[group] = circuit.sizes[group] * watts[group].take(minutes, mode="wrap") * factor
    return va


def _like_days(rng: np.random.Generator, local_day: date, opposite: bool, count: int) -> Index:
    """Return so many different measured days of the date's season (or the opposite one) and kind of weekday."""
    table = measured_days()
    apart = np.abs(table.day_of_year - local_day.timetuple().tm_yday)
    apart = np.minimum(apart, 365 - apart)
    is_near = apart >= 182 - NEAR_DAYS if opposite else apart <= NEAR_DAYS
    alike = np.flatnonzero(is_near & (table.is_rest == (local_day.weekday() >= 5)))
    return rng.choice(alike, count, replace=False)


def _draw_size(rng: np.random.Generator, of: tuple[float, float]) -> float:
    return float(np.exp(rng.normal(*of)))


def _rest_sizes(rng: np.random.Generator, size: float, service: str) -> Float:
    """Return the sizes of what is dealt to the lines: one has more than another, each bundle its line's."""
    sizes = np.zeros(count_rows(service))
    if drawn_lines(service) == 3:
        sizes[:6] = size * np.repeat(np.array(draw_line_shares(rng)) * (2.0, 4.0, 4.0), 2)
    else:
        lean = rng.uniform(*LEAN)
        sizes[:4] = 2 * size * np.array([lean, lean, 1 - lean, 1 - lean])
    return sizes


def _draw_row(rng: np.random.Generator, service: str, is_between: bool) -> int:
    line, bundle = 1 + int(rng.integers(drawn_lines(service))), int(rng.integers(2))
    lines: tuple[int, ...] = (line,)
    if is_between:
        lines = draw_load_lines(service, "", rng) if drawn_lines(service) == 3 else (1, 2)
    return row_of(service, lines, bundle)
