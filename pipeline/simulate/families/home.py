"""A home of a family's fleet as drawn, and the dispatch area it is in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.faults.circuit import PvLeg
from pipeline.simulate.families.array import Roof

BatteryKind = Literal["", "self", "exports"]


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

    `number` in the fleet, `street` it stands in, `area` by number. `pv_leg` as in Circuit; `roof` is None
    without solar. `hard` is the word of a hard negative or "", `fault` "sound" or a fault on `leg` from
    minute `onset_min` on (0: from commissioning). `has_*` say which optional columns it reports;
    `declares_battery` what the register says.
    """

    number: int
    street: int
    area: int
    service: str
    roof: Roof | None
    pv_leg: PvLeg
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

    @property
    def site_id(self) -> str:
        """Its id in the lake."""
        return f"U{self.number + 1:06d}"
