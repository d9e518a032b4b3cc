"""The monitor is configured for another CT rating.

On site: nothing is wrong; the rating entered at commissioning is not the one printed on the CTs.
The data: all legs scaled by the same factor, load and slope on production alike. What else looks the
same: partial or loose cores on all legs (never the same factor twice), a production reading that is
itself scaled wrongly.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.core.services import LINES
from pipeline.faults.channels import Channels, Repair
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import number, read_kwh, where_usable, whole_home
from pipeline.faults.types import Fault, Remedy

# (configured, true) ratings in amperes that get confused.
RATINGS = ((100, 200), (200, 100), (50, 100), (60, 200), (400, 200), (50, 200), (200, 400), (150, 200))
RATIO_SPAN = (0.13, 8.0)  # an estimated ratio outside says nothing


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Draw which rating was entered for which CT."""
    configured, true = RATINGS[int(rng.integers(len(RATINGS)))]
    severity = f"configured {configured} A, is {true} A"
    return replace(wiring, ratio=wiring.ratio * configured / true, severity=severity)


def _inverse(now: Channels, repair: Repair) -> Channels:
    """Divide every leg by configured over true; exact."""
    for leg in LINES:
        now = now.with_leg(leg, now.get(leg, "w") / repair.ratio, now.get(leg, "var") / repair.ratio)
    return now


def _ratio() -> pl.Expr:
    """Return configured over true rating: by production, else the utility meter, else the commonest, 2."""
    return pl.coalesce(
        where_usable(number("gain_sum"), number("gain_sum_se") <= 0.15, RATIO_SPAN),
        where_usable(number("meter_gain_l1"), number("meter_r2") > 0.5, RATIO_SPAN),
        pl.lit(2.0),
    )


FAULT = Fault(
    name="wrong_ratio",
    title="CT ratio set wrong",
    legs="whole",
    story="The monitor is configured for CTs of another rating; all legs are scaled alike.",
    looks_like="partial or loose_core on all legs; a scaled production reading",
    effect=_effect,
    inverse=_inverse,
    inverse_needs=("ratio",),
    known_ratios=tuple(sorted({configured / true for configured, true in RATINGS})),
    remains="all",
    # |1 - 1 / k| of what all lines read, with k configured over true.
    wrong_kwh_day=whole_home(lambda count: (1 - 1 / _ratio()).abs() * read_kwh(LINES[:count])),
    wrong_kwh_span=(0.8, 2.0),
    remedy=Remedy(
        action="Ask for a photo of the CTs' labels (or look it up in the install photos) and set the "
        "monitor to that rating.",
        fix_by="office",
        bring=(),
        minutes=10,
        prove="After the change the upstream legs fall by a watt for each watt of production in all, and the load "
        "agrees with the utility meter within 5 %.",
        habit="Read the rating off the CT and enter that number, never the one from the last job.",
        desk="ct_amps",
    ),
    pictures=("daily_slopes", "leg_against_pv"),
)
