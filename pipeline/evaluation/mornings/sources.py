"""How sources deliver: when which rows of a day arrive, and what a failure takes away from them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

DAY_MIN = 1440
NOTHING, HALF_FLEET, AREA, CUT, REST = (
    "nothing arrived",
    "half the fleet",
    "an area",
    "a day cut",
    "the rest never came",
)


@dataclass(frozen=True)
class Part:
    """Rows of a day that come as one file: minutes of the day [from, to), areas (None: all), when [h after its end]."""

    name: str
    from_min: int
    to_min: int
    areas: tuple[str, ...] | None
    lag_h: float

    def rows(self, day: pl.DataFrame) -> pl.DataFrame:
        """Return the part's rows of a day: `interval_start`, `area`."""
        at = pl.col("interval_start")
        minute = at.dt.hour().cast(pl.Int64) * 60 + at.dt.minute()
        is_part = (minute >= self.from_min) & (minute < self.to_min)
        return day.filter(is_part if self.areas is None else is_part & pl.col("area").is_in(self.areas))


@dataclass(frozen=True)
class Source:
    """A way to deliver: the parts of each day, and how the newest day that is over usually stands at night.

    `judged_back` is how many days the newest day with rows lies before the morning's day; of that day `there_min`
    minutes are usually there by then. `rest` names the part of it that comes later, "" where it is whole.
    """

    name: str
    parts: Callable[[tuple[str, ...]], list[Part]]
    judged_back: int = 1
    there_min: int = DAY_MIN
    rest: str = ""

    def failures(self) -> tuple[str, ...]:
        """Return the failures that can befall it."""
        return (NOTHING, HALF_FLEET, AREA, CUT, *((REST,) if self.rest else ()))


def _whole(lag_h: float) -> Callable[[tuple[str, ...]], list[Part]]:
    return lambda areas: [Part("all", 0, DAY_MIN, None, lag_h)]


def _halves(areas: tuple[str, ...]) -> list[Part]:
    half = DAY_MIN // 2
    return [Part("first", 0, half, None, 2.0), Part("rest", half, DAY_MIN, None, 14.0)]


def _late_area(areas: tuple[str, ...]) -> list[Part]:
    *others, late = areas
    return [Part("most", 0, DAY_MIN, tuple(others), 8.0), Part("rest", 0, DAY_MIN, (late,), 32.0)]


def _batches(areas: tuple[str, ...]) -> list[Part]:
    """Return a file every two hours, ten minutes after: the day that runs is there up to then."""
    starts = range(0, DAY_MIN, 120)
    return [Part(f"{at // 60:02d}", at, at + 120, None, (at + 130 - DAY_MIN) / 60) for at in starts]


SOURCES: Mapping[str, Source] = {
    source.name: source
    for source in (
        Source("daily", _whole(8.0)),
        Source("a day late", _whole(32.0), judged_back=2),
        Source("half days", _halves, there_min=DAY_MIN // 2, rest="rest"),
        Source("an area late", _late_area, rest="rest"),
        Source("batches", _batches),
    )
}


def spoil(
    rows: pl.DataFrame, part: Part, failure: str, source: Source, *, areas: tuple[str, ...]
) -> pl.DataFrame:
    """Return what a failure leaves of the rows of a part: `site_id`, `interval_start`, `area`.

    Parameters
    ----------
    rows
        The part's rows.
    part
        Which part.
    failure
        HALF_FLEET, AREA (the first), CUT (in the middle of what is usually there) or REST.
    source
        How it delivers.
    areas
        Areas, the late one last.
    """
    if failure == HALF_FLEET:
        number = pl.col("site_id").str.slice(1).cast(pl.Int64)
        return rows.filter(number % 2 == 0)
    if failure == AREA:
        return rows.filter(pl.col("area") != areas[0])
    if failure == REST:
        return rows.clear() if part.name == source.rest else rows
    middle = source.there_min // 2
    at = pl.col("interval_start")
    return rows.filter(at.dt.hour().cast(pl.Int64) * 60 + at.dt.minute() < middle)


def lateness_h(day: date, part: Part, seed: int) -> float:
    """Return by how much a part of a day is later than usual [h]: up to a third of an hour either way."""
    number = int(np.frombuffer(part.name.encode().ljust(8, b"\0")[:8], np.uint64)[0]) % 2**31
    return float(np.random.default_rng((seed, day.toordinal(), number)).uniform(-1 / 3, 1 / 3))


def days_of(first: date, count: int) -> list[date]:
    """Return `count` days from `first` on."""
    return [first + timedelta(days=number) for number in range(count)]
