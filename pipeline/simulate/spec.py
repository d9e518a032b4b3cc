"""What fleet is wanted, and what one simulated home is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from pipeline.core.errors import InputError
from pipeline.core.services import SERVICES
from pipeline.faults.circuit import Float
from pipeline.simulate.crossed_wiring import TURNED_SHARE
from pipeline.simulate.meter_kinds import MeterFile

# Which stream of random numbers is drawn for what; a home's streams don't disturb each other.
STREAMS = {"plan": 0, "series": 1, "report": 2, "utility": 3, "service": 4, "crew": 5}


def seeded_rng(seed: int, *key: int) -> np.random.Generator:
    """Return the random numbers of this seed and key; those of other keys don't disturb them."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))


@dataclass(frozen=True)
class FleetSpec:
    """A fleet of `sites` homes over the `days` UTC days that end with `end`.

    `minutes` is the interval length; `end` and `minutes` may be None, then each home draws its own
    (all seasons, all interval lengths: for training). `fault_share` of the homes get a fault drawn
    evenly from `faults` (all of the catalogue if empty), `onset_share` of these within the window;
    `hard_share` get a hard negative, `plain_share` are drawn
    with a broad brush. `register_gap_share` is how often a register value is empty. `utility_share` of the homes
    have their meter in a file of the utility, of one of `utility_kinds` (all if empty), and none in their rows.
    `service` is that of all homes (None: what North American homes have, most 120/240). `turned_share` of the homes
    with three lines whose CTs are on the wrong lines have some of them turned too: one crew's mistakes come together.
    """

    sites: int
    days: int = 30
    minutes: int | None = 15
    seed: int = 1
    end: date | None = date(2026, 6, 14)
    fault_share: float = 0.05
    onset_share: float = 0.25
    hard_share: float = 0.12
    plain_share: float = 0.12
    register_gap_share: float = 0.03
    faults: tuple[str, ...] = ()
    areas: int = 8
    utility_share: float = 0.0
    utility_kinds: tuple[str, ...] = ()
    service: str | None = None
    turned_share: float = TURNED_SHARE

    def __post_init__(self) -> None:
        """Refuse what can't be simulated."""
        if self.sites < 1 or self.days < 1 or self.areas < 1:
            raise InputError("a fleet needs at least one home, one day and one area")
        if self.minutes not in (None, 1, 5, 15, 30, 60):
            raise InputError(f"interval of {self.minutes} minutes: choose 1, 5, 15, 30 or 60")
        if self.service is not None and self.service not in SERVICES:
            raise InputError(f"{self.service} is no service: choose one of {', '.join(SERVICES)}")
        for name in (
            "fault_share", "onset_share", "hard_share", "plain_share", "register_gap_share", "utility_share",
            "turned_share",
        ):  # fmt: skip
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise InputError(f"{name} is {getattr(self, name)}: choose a share from 0 to 1")

    def rng(self, home: int, stream: str) -> np.random.Generator:
        """Return the home's own random numbers; the same for the same seed, home and stream."""
        return seeded_rng(self.seed, home, STREAMS[stream])


@dataclass(frozen=True)
class Wish:
    """What a home is to be instead of what its draw says; None leaves the draw.

    `fault` "" means sound; `onset_day` and `fixed_day` count from the window's first day; `values`
    replaces drawn values of the plan.
    """

    fault: str | None = None
    leg: str | None = None
    onset_day: int | None = None
    fixed_day: int | None = None
    crew: str | None = None
    hard: str | None = None
    values: tuple[tuple[str, Any], ...] = ()


@lru_cache(maxsize=256)
def utc_offsets_h(timezone: str, start: date, days: int) -> Float:
    """Return local time minus UTC [h] for each UTC hour of the window."""
    zone = ZoneInfo(timezone)
    first = datetime.combine(start, datetime.min.time(), tzinfo=ZoneInfo("UTC"))
    hours = (first + timedelta(hours=hour) for hour in range(days * 24))
    offsets = (hour.astimezone(zone).utcoffset() or timedelta() for hour in hours)
    return np.array([offset / timedelta(hours=1) for offset in offsets])


@dataclass(frozen=True)
class Window:
    """The time steps of a home: `days` UTC days from `start` in steps of `step` minutes.

    They are reported in intervals of `minutes`, a multiple of `step`.
    """

    start: date
    days: int
    step: int
    minutes: int

    @property
    def size(self) -> int:
        """Number of fine steps."""
        return self.days * 1440 // self.step

    @property
    def steps_out(self) -> int:
        """Fine steps in one reported interval."""
        return self.minutes // self.step

    @property
    def end(self) -> date:
        """The last day."""
        return self.start + timedelta(days=self.days - 1)

    def local_hour(self, timezone: str) -> Float:
        """Return the clock's hour of day [h] at each step, daylight-saving days included."""
        utc = np.arange(self.size, dtype=np.float64) * (self.step / 60.0)
        offset = np.repeat(utc_offsets_h(timezone, self.start, self.days), 60 // self.step)
        hour: Float = np.mod(utc + offset, 24.0)
        return hour

    def day_of(self, share: float) -> date:
        """Return the day at this share [0, 1) of the window."""
        return self.start + timedelta(days=int(share * self.days))


@dataclass(frozen=True)
class HomeRecord:
    """One home as a lake holds it: its intervals, its row of the sites register and its truth; its utility's file."""

    readings: pl.DataFrame
    site: dict[str, Any]
    truth: dict[str, Any]
    meter: MeterFile | None = None
