"""A splice makes contact now and then.

On site: an insulation-displacement splice not fully crimped; warmth and vibration open and close
it. The data: the leg drops to zero for minutes to hours and comes back as if nothing had been. What
else looks the same: a logger's dropouts (all channels at once, exactly 0), gaps, a dead channel
when it is open most of the time. No inverse: while the splice is open nothing is measured, and
where an interval was cut the share that it was open isn't known.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import polars as pl

from pipeline.faults.circuit import Circuit, Float
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import each_line, number, read_kwh
from pipeline.faults.types import Fault, Remedy, channels_of

PER_DAY = (0.4, 6.0)  # range of dropouts a day, drawn on a log scale
MIDDLE_MIN = (12.0, 150.0)  # range of their median length, drawn on a log scale
SPREAD = 0.8  # standard deviation of the logarithm of one dropout's length
LONGEST_MIN = 720.0


def _draw_alive(circuit: Circuit, per_day: float, middle_min: float, rng: np.random.Generator) -> Float:
    """Return the share of each step during which the splice conducts."""
    total_min = circuit.size * circuit.minutes
    count = max(1, int(rng.poisson(per_day * total_min / 1440.0)))
    start = rng.uniform(0.0, total_min, count)
    length = np.minimum(middle_min * np.exp(rng.normal(0.0, SPREAD, count)), LONGEST_MIN)
    edges = np.arange(circuit.size + 1) * circuit.minutes
    # Minutes open before each step's edge, summed over dropouts; overlapping ones are cut at 1.
    opened = np.clip(edges[:, None] - start, 0.0, length).sum(axis=1)
    alive: Float = 1.0 - np.minimum(np.diff(opened) / circuit.minutes, 1.0)
    return alive


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Draw how often and how long the leg drops out."""
    per_day = float(np.exp(rng.uniform(*np.log(PER_DAY))))
    middle_min = float(np.exp(rng.uniform(*np.log(MIDDLE_MIN))))
    for channel in channels_of(leg, wiring):
        alive = partial(replace, alive=_draw_alive(circuit, per_day, middle_min, rng))
        wiring = wiring.with_each_ct(alive, (channel,))
    return replace(wiring, severity=f"{per_day:.1f} dropouts a day of about {middle_min:.0f} min")


def _lost(leg: str) -> pl.Expr:
    """Return the share of time lost: only this leg zero, and an interval cut by each drop; at least 5 %.

    Drops shorter than an interval leave no zero, so what is seen is the least.
    """
    cut = number(f"drop_{leg}_day") * number("length_min") / 1440
    return (number(f"lone_zero_{leg}_share") + cut.fill_null(0.0)).fill_null(0.0).clip(0.05, 0.9)


FAULT = Fault(
    name="intermittent",
    title="intermittent connection",
    story="A splice is not fully crimped: the leg drops to zero for minutes to hours and comes back.",
    looks_like="a logger's dropouts or gaps; dead when it is open most of the time",
    effect=_effect,
    remains="gaps",
    # |reading| z / (1 - z), with z the share of time that is lost.
    wrong_kwh_day=each_line(lambda leg, _: read_kwh([leg]) * (1 / (1 - _lost(leg)) - 1)),
    # No `wrong_kwh_span`: what was lost while the splice was open may be a quarter of the estimate or four times it.
    remedy=Remedy(
        action="Remake every splice and terminal of that leg's lead; pull on each wire, and replace the lead "
        "if the copper is nicked.",
        fix_by="visit",
        bring=("insulation-displacement splices and tool", "spare lead, twisted pair", "spare CT"),
        minutes=45,
        prove="Known 1.5 kW load on that leg while you wiggle each splice: the reading stays at about "
        "+1.5 kW. Then a week without a dropout in the data.",
        habit="Crimp splices with the tool, not with pliers, and tug each wire afterwards.",
    ),
    pictures=("zero_shares", "night_levels"),
)
