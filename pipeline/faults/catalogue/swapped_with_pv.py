"""The production CT and a consumption CT are exchanged at the terminals.

On site: two leads landed on each other's terminals. The data: "consumption" of that leg is
bell-shaped and dead at night, "production" lives at night. How large depends on how production is
metered. One CT on one inverter conductor, multiplied with the voltage between the legs: the leg
shows half the production and the production channel twice the leg. Both conductors folded through
the CT, multiplied with one leg's voltage: a plain exchange. If production is led by another leg,
both come out negative. What else looks the same: a home that is empty by night, a clock hours off.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.core.services import service_of
from pipeline.faults.channels import Channels, Repair
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import each_line, number, other_kwh, read_kwh
from pipeline.faults.types import Fault, Remedy, channels_of


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Exchange the production channel's CTs with the leg's; nothing to draw."""
    channel = channels_of(leg, wiring)[0]
    exchanged = wiring.with_cts(channel, wiring.production)
    severity = f"production by {wiring.production_by} voltage"
    return replace(exchanged, production=wiring.cts(channel), severity=severity)


def _production_factor(leg_v: pl.Expr, other_v: pl.Expr, repair: Repair) -> pl.Expr:
    """Return the watts the production channel makes of a current of which the leg's channel makes one.

    The current is that of an inverter between the legs at power factor 1; `leg_v` and `other_v` are the voltage of
    the exchanged leg and of the other one [V]. With equal ones it is `production_factor` on 120/240.
    """
    factor = repair.production_factor
    if repair.line_count == 1 or factor == 1.0:
        return pl.lit(1.0)
    across = leg_v * other_v * math.cos(math.radians(service_of(repair.service).degrees[1]))
    along = leg_v**2 - across  # the leg's voltage along the voltage between the legs, times the latter
    if factor == -1.0:
        return -(other_v**2 - across) / along
    return math.copysign(1.0, factor) * (leg_v**2 + other_v**2 - 2 * across) / along


def _inverse(now: Channels, repair: Repair) -> Channels:
    """Exchange the two again; exact on one line, and on 120/240 with the leg voltages.

    It takes an inverter between the legs at power factor 1. Reactive power of the leg was not recorded by the
    production channel and becomes null. On 120/208 production is put right as well; the leg only where production
    is metered by that leg's own voltage (`production_factor` 1), since any other lies across it: null then. So on
    three lines, with production too, but by that line's own voltage (3, or 1 of an inverter on that line alone).
    """
    unknown = pl.lit(None, dtype=pl.Float64)
    if repair.line_count > 2:
        # A conductor's own voltage, with three for one if it stands for all; by any other it lies across.
        known = repair.production_factor in (1.0, 3.0)
        leg_w = now.pv_w / repair.production_factor if known else unknown
        pv_w = now.get(repair.leg, "w") * repair.production_factor if known else unknown
        return now.with_leg(repair.leg, leg_w, unknown)._replace(pv_w=pv_w)
    is_one = repair.leg == "l1"
    leg_v, other_v = (now.l1_v, now.l2_v) if is_one else (now.l2_v, now.l1_v)
    factor = _production_factor(leg_v, other_v, repair)
    is_lost = repair.service == "120/208" and repair.production_factor != 1.0
    leg_w = unknown if is_lost else now.pv_w / factor
    if is_one:
        return now._replace(l1_w=leg_w, pv_w=now.l1_w * factor, l1_var=unknown)
    return now._replace(l2_w=leg_w, pv_w=now.l2_w * factor, l2_var=unknown)


DARK_LOAD_SHARE = 0.55  # of a home's energy is taken while there is no sun
FOLDED = 1.5  # a leg that reads this many times the other one, upstream, shows all production, not half


def _wrong_kwh(leg: str, line_count: int) -> pl.Expr:
    """Return (1 + f) times the leg's error, f watts of production being reported for one of the CT's.

    The leg reads A, the production channel f P, with P the leg's truth: load L, upstream less its part B of
    the solar. One inverter conductor: f as many as there are lines, B = A; both of two folded: f = 1, B = A / 2.
    A CT led by the other leg turns both. The leg errs by |A + B - L| upstream, |A - L| at the loads, dark
    and sunny hours apart; turned by L + A - B, L + A.
    """
    is_upstream = pl.col("is_declared_upstream").fill_null(True)
    is_turned = (number(f"sky_corr_{leg}") < 0).fill_null(False)
    solar = read_kwh([leg])
    can_fold = pl.lit(line_count == 2)
    is_folded = can_fold & is_upstream & (solar > FOLDED * other_kwh(leg, line_count))
    factor = pl.when(is_folded).then(1.0).otherwise(float(line_count))
    part = pl.when(~is_upstream).then(0.0).when(is_folded).then(solar / 2).otherwise(solar)
    sent = number("pv_kwh_day").fill_null(0.0) / factor
    load = (pl.when(is_turned).then(-sent).otherwise(sent) + part).abs()
    apart = DARK_LOAD_SHARE * load + (solar + part - (1 - DARK_LOAD_SHARE) * load).abs()
    return (1 + factor) * pl.when(is_turned).then(load + solar - part).otherwise(apart)


FAULT = Fault(
    name="swapped_with_pv",
    title="production and consumption leads exchanged",
    legs="one",
    story="The production CT's lead and a consumption CT's lead are on each other's terminals.",
    looks_like="a clock hours off; a home without load at night",
    fits=lambda wiring, circuit: circuit.has_pv,
    effect=_effect,
    inverse=_inverse,
    inverse_needs=("voltages", "production_factor"),
    remains="all",
    # (1 + f) x the leg's error, see _wrong_kwh.
    wrong_kwh_day=each_line(_wrong_kwh),
    wrong_kwh_span=(0.6, 1.5),
    remedy=Remedy(
        action="Exchange the two leads at the monitor's terminals and mark them.",
        fix_by="visit",
        bring=("screwdriver for the monitor's terminals", "lead markers", "1.5 kW known load"),
        minutes=25,
        prove="Solar off: production reads 0 and a known 1.5 kW load shows on the leg as about +1.5 kW. "
        "Solar on: production agrees with the inverter's display within 5 %.",
        habit="Land the production lead first, with the loads on and solar off: it must read zero.",
    ),
    pictures=("day_profile", "night_levels"),
)
