"""What a family's fleet is made of: its size, window and shares, its areas, homes and roofs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from pipeline.core.contract import INTERVAL_MINUTES
from pipeline.core.errors import InputError
from pipeline.core.services import SERVICES, lines_of, service_of
from pipeline.faults.catalogue import CATALOGUE

BatteryKind = Literal["", "self", "exports"]
Family = Literal["crest", "weather", "measured"]
STREETS = "streets"  # the family of the simulator beside these
FAMILIES: tuple[Family, ...] = get_args(Family)


@dataclass(frozen=True)
class UnlikeSpec:
    """A fleet unlike the training simulator's.

    `sites` homes over `days` whole UTC days up to `end`, in intervals of `minutes`. `fault_share` of the
    homes have a fault, drawn evenly from `faults` (empty: the whole catalogue) as far as they fit;
    `onset_share` of those start inside the window. `hard_share` of the homes are sound but look odd.
    `with_volts` says whether homes report voltages; None: some do, as in life.
    `family` says whose loads, sun and service the homes have; `service` what the utility brings to all of them
    (None: what North American homes have, most 120/240).

    Raises
    ------
    InputError
        The family or the service is unknown, a number is out of range, or a fault is not in the catalogue.
    """

    sites: int = 2000
    days: int = 30
    minutes: int = 15
    seed: int = 1
    end: date = date(2026, 6, 14)
    fault_share: float = 0.05
    hard_share: float = 0.15
    onset_share: float = 0.25
    with_volts: bool | None = None
    faults: tuple[str, ...] = ()
    family: Family = "crest"
    service: str | None = None

    def __post_init__(self) -> None:
        """Refuse what can't be built."""
        if self.family not in FAMILIES:
            raise InputError(f"{self.family} is no family of fleets: choose one of {', '.join(FAMILIES)}")
        if self.service is not None and self.service not in SERVICES:
            raise InputError(f"{self.service} is no service: choose one of {', '.join(SERVICES)}")
        if self.sites < 1 or self.days < 1:
            raise InputError(
                f"a proof fleet needs sites and days of 1 or more, not {self.sites}, {self.days}"
            )
        if self.minutes not in INTERVAL_MINUTES:
            raise InputError(f"minutes is {self.minutes}: choose one of {INTERVAL_MINUTES}")
        shares = (self.fault_share, self.hard_share, self.onset_share)
        if min(shares) < 0 or max(shares) > 1 or self.fault_share + self.hard_share > 1:
            raise InputError(
                "fault_share, hard_share and onset_share lie in 0 to 1, the first two also in sum"
            )
        unknown = [name for name in self.faults if name not in CATALOGUE]
        if unknown:
            raise InputError(f"{unknown[0]} is no fault of the catalogue: {', '.join(CATALOGUE)}")

    @property
    def start(self) -> datetime:
        """First moment of the window, UTC without a zone."""
        return datetime.combine(self.end - timedelta(days=self.days - 1), time())

    @property
    def steps(self) -> int:
        """Minutes in the window."""
        return self.days * 1440

    @property
    def rows(self) -> int:
        """Intervals in the window."""
        return self.steps // self.minutes


@dataclass(frozen=True)
class Roof:
    """Where an array is and how it lies: degrees, azimuth from north over east; `dc_kw`, `ac_kw` ratings."""

    latitude: float
    longitude: float
    tilt: float
    azimuth: float
    dc_kw: float
    ac_kw: float


@dataclass(frozen=True)
class Area:
    """A dispatch area: place [deg], time zone with its offset [min east of UTC], mean air [degrees C]."""

    name: str
    timezone: str
    latitude: float
    longitude: float
    offset_min: int
    mean_c: float

    def local_minutes(self, steps: int) -> NDArray[np.int64]:
        """Return the local clock of so many minutes from a UTC midnight [min since the local midnight before]."""
        return np.arange(steps, dtype=np.int64) + 1440 + self.offset_min


@dataclass(frozen=True)
class Home:
    """The true facts of a home; what the register says of them is drawn when it is written.

    `number` in the fleet, `street` it stands in, `area` by number. `pv_leg` is what the inverter feeds; `roof` is None
    without solar. `hard` is the word of a hard negative or "", `fault` "sound" or a fault on `leg` from
    minute `onset_min` on (0: from commissioning). `has_*` say which optional columns it reports;
    `declares_battery` and `pv_on` are what the register says; `is_by_line`: its source gives production by line.
    """

    number: int
    street: int
    area: int
    service: str
    roof: Roof | None
    pv_leg: str
    sees_pv: bool
    cts_per_leg: int
    added_back: bool
    is_clipped: bool
    production_by: Literal["line", "leg"]
    production_leg: int
    battery: BatteryKind
    declares_battery: bool
    has_battery_w: bool
    has_volts: bool
    has_var: bool
    has_meter: bool
    has_ev: bool
    service_amps: int
    hard: str = ""
    fault: str = "sound"
    leg: str = ""
    onset_min: int = 0
    pv_on: str | None = None
    is_by_line: bool = False

    @property
    def pv_lines(self) -> tuple[str, ...]:
        """The lines that the inverter feeds."""
        return lines_of(self.pv_leg, service_of(self.service).line_count)

    @property
    def site_id(self) -> str:
        """Its id in the lake."""
        return f"U{self.number + 1:06d}"
