"""Nights: with no sun and no battery a household only consumes, and what stands by gives a night a hard floor."""

from __future__ import annotations

import polars as pl

from pipeline.core.percent_text import percent
from pipeline.probes.leg_text import NOT_KNOWN, Row, known_legs, say_legs, together, value_of, watts
from pipeline.probes.probe import Probe, columns_of_lines, home_quantity, leg_quantity, watt_quantity

_COUNT = (pl.col("nights").cast(pl.Float64), "nights")
_LEVELS = {"middle": "w", "low": "low_w", "high": "high_w"}

_SELDOM = 0.002  # share of a night's intervals below zero that meters' noise makes
_DEAD_W = 2.0
_FEW_W = 25.0


def _tell_levels(row: Row) -> str:
    levels = known_legs(row, "night_{}_w")
    if not levels:
        return NOT_KNOWN
    said = together([f"{leg.upper()} {watts(level)}" for leg, level in levels])
    shares = {leg: value_of(row, f"night_{leg}_negative_share") or 0.0 for leg, _ in levels}
    below = [(leg, percent(share)) for leg, share in shares.items() if share > _SELDOM]
    dead = [(leg, "") for leg, level in levels if abs(level) < _DEAD_W and shares[leg] <= _SELDOM]
    text = "below zero in {} of night intervals"
    parts = [say_legs(below, text, text)] if below else []
    parts += [say_legs(dead, "reads nothing", "read nothing")] if dead else []
    if not parts:
        return f"overnight baseload: {said}, never below zero, as with a right CT"
    return f"overnight baseload: {said}, {' and '.join(parts)} (a right CT stays above zero)"


def _tell_floors(row: Row) -> str:
    drops = known_legs(row, "floor_{}_drop_w")
    if not drops:
        return NOT_KNOWN
    deep = [(leg, drop) for leg, drop in drops if drop > _FEW_W]
    if not deep:
        said = together([f"{watts(drop)} on {leg.upper()}" for leg, drop in drops])
        return f"one night in ten the overnight minimum falls by {said}, right is a few watts"
    said = say_legs(
        [(leg, watts(drop)) for leg, drop in deep],
        "falls {} below its usual overnight minimum",
        "fall {} below their usual overnight minimum",
    )
    others = "".join(f" ({leg.upper()} {watts(drop)})" for leg, drop in drops if drop <= _FEW_W)
    return f"one night in ten {said}, right is a few watts{others}"


NIGHTS = Probe(
    "nights",
    "Overnight baseload",
    (
        *(watt_quantity(name, f"night_{{}}_{column}", wrong="low") for name, column in _LEVELS.items()),
        *(watt_quantity(f"sum_{name}", f"night_sum_{column}", "home", wrong="low") for name, column in _LEVELS.items()),
        leg_quantity("negative_share", "night_{}_negative_share", "high", floor=0.002, decides=0.25),
        home_quantity("sum_negative_share", "night_sum_negative_share", "high", floor=0.002),
        home_quantity("nights", is_compared=False),
    ),
    _tell_levels,
    columns_of_lines("night_{}_w", "night_{}_negative_share"),
    pl.col("nights") > 0,
    count=_COUNT,
)  # fmt: skip

# An offset that wanders takes the floor away.
FLOORS = Probe(
    "floors",
    "Overnight minimum",
    (
        watt_quantity("drop", "floor_{}_drop_w", wrong="high"),
        watt_quantity("soft", "floor_{}_soft_w", wrong="high"),
        watt_quantity("wander", "{}_night_wander", wrong="high"),
        leg_quantity("negative_share", "night_{}_negative_share", "high", floor=0.001),
        leg_quantity("glitches", "glitch_{}_day", unit="1/day", floor=0.02),
        watt_quantity("low", "night_{}_low_w"),
        watt_quantity("sum_low", "night_sum_low_w", "home"),
    ),
    _tell_floors,
    columns_of_lines("floor_{}_drop_w"),
    pl.col("floor_l1_drop_w").is_not_null(),
    count=_COUNT,
)  # fmt: skip
