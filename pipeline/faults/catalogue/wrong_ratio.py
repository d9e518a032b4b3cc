"""The monitor is configured for another CT rating.

On site: nothing is wrong; the rating entered at commissioning is not the one printed on the CTs.
The data: both legs scaled by the same factor, load and slope on production alike. What else looks the
same: partial or loose cores on both legs (never the same factor twice), a production reading that is
itself scaled wrongly.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import bounded, number, read_kwh, where_usable
from pipeline.faults.types import Channels, Fault, Remedy, Repair

# (configured, true) ratings in amperes that get confused.
RATINGS = ((100, 200), (200, 100), (50, 100), (60, 200), (400, 200), (50, 200), (200, 400), (150, 200))
RATIO_SPAN = (0.13, 8.0)  # an estimated ratio outside says nothing


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Draw which rating was entered for which CT."""
    configured, true = RATINGS[int(rng.integers(len(RATINGS)))]
    severity = f"configured {configured} A, is {true} A"
    return replace(wiring, ratio=wiring.ratio * configured / true, severity=severity)


def _inverse(now: Channels, repair: Repair) -> Channels:
    """Divide both legs by configured over true; exact."""
    return now._replace(
        l1_w=now.l1_w / repair.ratio, l2_w=now.l2_w / repair.ratio,
        l1_var=now.l1_var / repair.ratio, l2_var=now.l2_var / repair.ratio,
    )  # fmt: skip


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
    legs=("both",),
    story="The monitor is configured for CTs of another rating; both legs are scaled alike.",
    looks_like="partial or loose_core on both legs; a scaled production reading",
    effect=_effect,
    inverse=_inverse,
    inverse_needs=("ratio",),
    known_ratios=tuple(sorted({configured / true for configured, true in RATINGS})),
    remains="all",
    # |1 - 1 / k| (|P1| + |P2|), with k configured over true.
    wrong_kwh_day={"both": bounded((1 - 1 / _ratio()).abs() * read_kwh("both"))},
    wrong_kwh_span=(0.8, 2.0),
    remedy=Remedy(
        action="Ask for a photo of the CTs' labels (or look it up in the install photos) and set the "
        "monitor to that rating.",
        fix_by="office",
        bring=(),
        minutes=10,
        prove="After the change the slope of each upstream leg on production returns to -0.5, and the load "
        "agrees with the utility meter within 5 %.",
        habit="Read the rating off the CT and enter that number, never the one from the last job.",
        desk="ct_amps",
    ),
    pictures=("daily_slopes", "leg_against_pv"),
)
