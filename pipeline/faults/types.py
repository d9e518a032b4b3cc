"""What a fault consists of: its effect on readings, its inverse, the energy it misreports, its remedy, its pictures.

Each fault is one module of pipeline/faults/catalogue/.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import polars as pl

from pipeline.core.services import BOTH, LINES, SERVICES, leg_code, leg_codes, lines_of, service_of
from pipeline.faults.channels import Channels, Order, Repair, Signs
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring

# Which sets of a home's lines a fault can be on: any, one line, several, or the home as a whole.
LegSets = Literal["any", "one", "several", "whole"]
PictureName = Literal[
    "leg_against_pv", "leg_against_leg", "daily_slopes", "night_levels", "night_floors", "day_profile", "zero_shares"
]  # fmt: skip
# What a faulty reading still tells of the truth, and so how past readings are put right: "all" (the inverse gives it
# back), "share" (a constant share of it), "upstream share" (so where the CTs see the solar power, nothing at the
# loads), "gaps" (all of it but for gaps), "nothing", "noisy" (hidden under a disturbance that nobody knows), "right"
# (the reading is no error).
Remains = Literal["all", "share", "upstream share", "gaps", "nothing", "noisy", "right"]
# What an inverse must know beside the readings.
InverseNeed = Literal["voltages", "ratio", "production_factor"]
# Settings whose right value is worked out from the home's own numbers.
DeskSetting = Literal["ct_amps", "ct_sees_pv"]

# On every work order, whatever the fault. General words: local codes, the employer's safety
# programme and licensed practice govern.
CAUTIONS = (
    "This order states a suspicion with a likelihood, not a finding: look before you change anything.",
    "De-energize, lock out and test before you touch. Moving a CT is no test for voltage.",
    "The line side stays live with the main breaker off; only the utility opens it. Never pull the "
    "meter, never cut a seal.",
    "Solar and battery feed back into the panel: open and lock them too.",
    "Qualified persons only, with shock and arc-flash protective equipment (hard hat, eye protection "
    "and insulating gloves at the least) and insulated tools.",
    "Never open the secondary of a current-output CT under load: short it first. If unsure which kind "
    "it is, treat it as one.",
    "Heat, discoloration, buzzing, water, damaged insulation, or legs whose voltages drift apart under "
    "load: stop, make safe, call it in.",
)


@dataclass(frozen=True)
class Change:
    """A setting to change at the desk, from what to what, and why that value."""

    setting: str
    now: str
    to: str
    why: str


@dataclass(frozen=True)
class Stopgap:
    """Settings of the monitor that can serve until the visit, on these services; `when` is the condition, a sentence.

    "{leg}" in a change's `setting` stands for each leg of the fault.
    """

    when: str
    changes: tuple[Change, ...]
    services: tuple[str, ...] = tuple(SERVICES)


@dataclass(frozen=True)
class Remedy:
    """What sets a fault right.

    `action` is what to do, `fix_by` who ("office" by a setting, "visit" by hand), `bring` what to
    take along, `minutes` on site, `prove` how to show it fixed before leaving, `habit` the one habit
    that keeps it from happening. `desk` is what the desk can set, for good or until the visit.
    `is_taught`: invented fleets train their crews in this habit.
    """

    action: str
    fix_by: Literal["office", "visit"]
    bring: tuple[str, ...]
    minutes: int
    prove: str
    habit: str
    desk: DeskSetting | Stopgap | None = None
    is_taught: bool = False


# The energy misreported by a fault on a leg of a home with so many lines [kWh/day], over table site_signal.
WrongEnergy = Callable[[str, int], pl.Expr]
# On which line each channel's CT sits and how it faces, of a fault on a leg of so many lines: all that it may be.
Wirings = Callable[[str, int], tuple[tuple[Order, Signs], ...]]
Effect = Callable[[Wiring, Circuit, str, np.random.Generator], Wiring]
Inverse = Callable[[Channels, Repair], Channels]


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One way an install goes wrong.

    `name` is its code in files, `title` what the trade calls it, on every page; `legs` the sets of lines that it can
    be on; `fits` tells whether it can happen to this wiring of this circuit; `effect`
    draws a severity and returns the wiring with the fault on that leg; `inverse` puts raw readings
    right exactly, or is None, and `inverse_needs` what else it must know; `wirings` are those that it may be, where it
    does nothing but move or turn CTs; `known_ratios`
    are the ratios (configured over true) that the trade mixes up; `remains` says what a reading still tells of
    the truth; `wrong_kwh_day` gives for a leg and a home's number of lines an expression over table site_signal: the
    energy misreported if the fault is there, |reading - truth| [kWh/day], finite and never null or negative
    (callers ask `energy_kwh_day`);
    `wrong_kwh_span` what the truth was over that estimate, summed over weeks, in nine of ten invented homes with
    this fault (tests/pipeline/worklist/test_energy_so_far.py), None where such a sum says nothing;
    `pictures` convince, the best first; `cautions` come on top of CAUTIONS.

    `is_record_error`: the readings are right and the register's ct_sees_pv is not, so it has no onset and nothing on
    site proves it. `same_powers_as` is the fault that, both on both legs, only leg voltages tell from it. `needs` are
    the values of simulate's Plan that make a home fit.
    """

    name: str
    title: str
    legs: LegSets = "any"
    story: str
    looks_like: str
    effect: Effect
    wrong_kwh_day: WrongEnergy
    remedy: Remedy
    pictures: tuple[PictureName, ...]
    wrong_kwh_span: tuple[float, float] | None = None
    cautions: tuple[str, ...] = ()
    fits: Callable[[Wiring, Circuit], bool] = lambda wiring, circuit: True
    inverse: Inverse | None = None
    wirings: Wirings | None = None
    inverse_needs: tuple[InverseNeed, ...] = ()
    known_ratios: tuple[float, ...] = ()
    remains: Remains = "nothing"
    is_record_error: bool = False
    same_powers_as: str | None = None
    needs: Mapping[str, Any] = field(default_factory=dict)

    def legs_of(self, line_count: int) -> tuple[str, ...]:
        """Return the legs it can have at a home with so many lines, single lines first.

        On one line what is wrong with several, or with the home as a whole, is "both".
        """
        if self.legs == "whole":
            return (BOTH if line_count == 1 else leg_code(LINES, line_count),)
        codes = leg_codes(line_count)
        if self.legs == "several":
            return codes[line_count:] or (BOTH,)
        return codes[:line_count] if self.legs == "one" else codes

    def legs_on(self, service: str) -> tuple[str, ...]:
        """Return the legs it can have on this service."""
        return self.legs_of(service_of(service).line_count)

    def energy_kwh_day(self, leg: str | None, line_count: int) -> pl.Expr:
        """Return the energy misreported on a leg [kWh/day], over table site_signal; the least of its legs if none fits.

        Parameters
        ----------
        leg, line_count
            The leg's code or None, and how many lines the home has: of more than two it needs the columns of line 3.
        """
        legs = self.legs_of(line_count)
        if leg in legs:
            return self.wrong_kwh_day(leg, line_count)
        return pl.min_horizontal(self.wrong_kwh_day(each, line_count) for each in legs)


def record_errors(catalogue: Mapping[str, Fault]) -> list[str]:
    """Return the names of the faults that are in the register and not on site."""
    return [name for name, fault in catalogue.items() if fault.is_record_error]


def channels_of(leg: str, wiring: Wiring) -> tuple[str, ...]:
    """Return the consumption channels that a leg's code means on this wiring."""
    return lines_of(leg, wiring.line_count)


def on_several_lines(wiring: Wiring, circuit: Circuit) -> bool:
    """Return whether the home has more than one line."""
    return wiring.line_count > 1
