"""What is to be simulated: how many homes, nights and visits a day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from pipeline.core.errors import InputError
from pipeline.core.setting_sections import RehearsalSettings
from pipeline.evaluation.policy_simulation.twins import Spec
from pipeline.simulate.families.spec import FAMILIES, STREETS, UnlikeSpec
from pipeline.simulate.spec import FleetSpec

LAST_NIGHT = date(2026, 6, 14)
MINUTES = 15
QUICK_HOMES, QUICK_NIGHTS = 0.1, 0.5
FEWEST = 20  # homes


@dataclass(frozen=True)
class SimulationRequest:
    """`sites` homes, `nights` nights in a row, `visits` truck visits a day; `seed` of fleet and crews.

    `family` is the fleet's: STREETS, or one of FAMILIES.
    `is_quick` takes a tenth of the homes and of the visits a day (one at the least), and half of the nights.
    """

    sites: int = 2000
    nights: int = 182
    visits: int = 6
    seed: int = 1
    workers: int = 2
    is_quick: bool = False
    family: str = STREETS

    def __post_init__(self) -> None:
        """Refuse what can't be simulated."""
        if self.sites < FEWEST or self.nights < 2 or self.visits < 1 or self.workers < 1:
            raise InputError(
                f"a rehearsal needs {FEWEST} homes or more, two nights, a visit a day and a worker, not"
                f" {self.sites}, {self.nights}, {self.visits} and {self.workers}"
            )
        if self.family not in (STREETS, *FAMILIES):
            raise InputError(
                f"{self.family} is no family of fleets: choose one of {', '.join((STREETS, *FAMILIES))}"
            )

    @property
    def homes(self) -> int:
        """Homes of the fleet."""
        return max(FEWEST, round(self.sites * QUICK_HOMES)) if self.is_quick else self.sites

    @property
    def visits_a_day(self) -> int:
        """Truck visits each morning."""
        return max(1, round(self.visits * QUICK_HOMES)) if self.is_quick else self.visits

    @property
    def days(self) -> tuple[date, ...]:
        """The nights' as-of days, oldest first."""
        count = max(2, round(self.nights * QUICK_NIGHTS)) if self.is_quick else self.nights
        return tuple(LAST_NIGHT - timedelta(days=back) for back in reversed(range(count)))

    def fleet_spec(self, settings: RehearsalSettings) -> Spec:
        """Return the fleet to make, from the history before the first night to the last night."""
        shape = (self.homes, settings.history_days + len(self.days), MINUTES, self.seed, LAST_NIGHT)
        fault, hard, onset = settings.fault_share, settings.hard_share, settings.onset_share
        for family in FAMILIES:
            if family == self.family:
                return UnlikeSpec(*shape, fault, hard, onset, family=family)
        return FleetSpec(*shape, fault_share=fault, hard_share=hard, onset_share=onset)
