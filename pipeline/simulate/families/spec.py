"""What a proof fleet is made of: its size, window and shares."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Literal, get_args

from pipeline.core.contract import INTERVAL_MINUTES
from pipeline.core.errors import InputError
from pipeline.faults.catalogue import CATALOGUE

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
    `family` says whose loads, sun and service the homes have.

    Raises
    ------
    InputError
        The family is unknown, a number is out of range, or a fault is not in the catalogue.
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

    def __post_init__(self) -> None:
        """Refuse what can't be built."""
        if self.family not in FAMILIES:
            raise InputError(f"{self.family} is no family of fleets: choose one of {', '.join(FAMILIES)}")
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
