"""What a fault is to the rest of the house: its effect on readings, its inverse, its remedy.

Each fault is one room in pipeline/faults/catalogue/; this module only says of which parts a room is made.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import polars as pl

from pipeline.faults.circuit import Circuit
from pipeline.faults.clamps import Wiring

Leg = Literal["l1", "l2", "both"]

# Said on every work order, whatever the fault. General words: local codes, the employer's safety
# programme and licensed practice govern.
CAUTIONS = (
    "This order states a suspicion with a likelihood, not a finding: look before you change anything.",
    "De-energize, lock out and test before you touch. Moving a clamp is no test for voltage.",
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
class Remedy:
    """What sets a fault right.

    `action` is what to do, `fix_by` who ("office" by a setting, "visit" by hand), `bring` what to
    take along, `minutes` on site, `prove` how to show it fixed before leaving, `habit` the one habit
    that keeps it from happening.
    """

    action: str
    fix_by: Literal["office", "visit"]
    bring: tuple[str, ...]
    minutes: int
    prove: str
    habit: str


class Channels(NamedTuple):
    """Expressions for a row's readings, raw (without production added back), as in the contract.

    `l1_var`, `l2_var` are only needed to put a crossed 120/208 home right; `l1_v`, `l2_v` may be
    literals of equal value where voltages are unknown.
    """

    l1_w: pl.Expr
    l2_w: pl.Expr
    pv_w: pl.Expr
    l1_var: pl.Expr
    l2_var: pl.Expr
    l1_v: pl.Expr
    l2_v: pl.Expr

    @classmethod
    def columns(cls) -> Channels:
        """Return the contract's columns of these names."""
        return cls(*(pl.col(name) for name in cls._fields))


class Repair(NamedTuple):
    """What must be known to put past data right.

    `leg` of the fault; `service` of the home; `ratio` configured over true (wrong_ratio);
    `production_factor` how many watts of production the production channel reports for one that the
    same clamp makes on a consumption channel (2: one inverter conductor times the voltage between the
    legs; 1: both conductors folded through the clamp; negative if it is led by the other leg).
    """

    leg: str
    service: str = "120/240"
    ratio: float = 1.0
    production_factor: float = 2.0


Effect = Callable[[Wiring, Circuit, str, np.random.Generator], Wiring]
Inverse = Callable[[Channels, Repair], Channels]


@dataclass(frozen=True)
class Fault:
    """One way an install goes wrong.

    `legs` it can have; `fits` tells whether it can happen to this wiring of this circuit; `effect`
    draws a severity and returns the wiring with the fault on that leg; `inverse` puts raw readings
    right exactly, or is None; `wrong_kwh_day` maps each leg to an expression over table site_signal: the
    energy misreported if the fault is there, |reading - truth| [kWh/day], finite and never null or negative;
    `cautions` come on top of CAUTIONS.
    """

    name: str
    legs: tuple[Leg, ...]
    story: str
    looks_like: str
    fits: Callable[[Wiring, Circuit], bool]
    effect: Effect
    inverse: Inverse | None
    wrong_kwh_day: Mapping[str, pl.Expr]
    remedy: Remedy
    cautions: tuple[str, ...] = ()

    def legs_on(self, service: str) -> tuple[Leg, ...]:
        """Return the legs it can have on this service: "single" has no second leg and so no l2."""
        if service != "single":
            return self.legs
        return ("l1",) if "l1" in self.legs else self.legs


def channels_of(leg: str, wiring: Wiring) -> tuple[Literal["l1", "l2"], ...]:
    """Return the consumption channels that "l1", "l2" or "both" means on this wiring."""
    if leg == "both":
        return ("l1",) if wiring.service == "single" else ("l1", "l2")
    return ("l1",) if leg == "l1" else ("l2",)


def always(wiring: Wiring, circuit: Circuit) -> bool:
    """Fits every wiring and circuit."""
    return True


def on_two_legs(wiring: Wiring, circuit: Circuit) -> bool:
    """Fits homes with two legs."""
    return wiring.service != "single"
