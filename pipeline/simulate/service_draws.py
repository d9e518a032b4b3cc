"""What homes on other services than North America's two legs are like; own assumptions from general knowledge.

230/400 (three lines of 230 V): circuits are dealt over the lines, lighting and outlets to neutral. A hob is on two or
three lines, heat pump and instantaneous water heater often on three, car charging on one (3.7 or 7.4 kW) or three
(11 kW). An inverter up to 4.6 kW feeds one line, whichever; larger ones three, a few from 3.7 to 7 kW two. Main fuses
of 25 to 63 A a line. 120/208 three-phase: larger homes and buildings of several flats in North America. Cooking,
drying, hot water and cars stand between two lines, large compressors on three; inverters feed two lines (208 V) or
three; 100 to 400 A. 230: the same homes as 230/400 on one line, 40 to 100 A.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np

from pipeline.core.services import BOTH, HIGH_FROM_V, LINES, leg_code, service_of
from pipeline.simulate.connections import connections
from pipeline.simulate.sky import Array

Weighted = Mapping[Any, float]
# Kinds of large loads -> on how many lines, and how often.
_LINES_OF_LARGE: Final[Mapping[str, Mapping[str, Weighted]]] = {
    "230/400": {
        "range": {1: 0.15, 2: 0.35, 3: 0.5}, "dryer": {1: 1.0}, "heater": {1: 0.5, 3: 0.5},
        "heat_pump": {1: 0.45, 3: 0.55}, "car": {1: 0.45, 3: 0.55}, "pool": {1: 1.0},
        "": {1: 0.45, 2: 0.1, 3: 0.45},
    },
    "120/208 three-phase": {
        "range": {2: 1.0}, "dryer": {2: 1.0}, "heater": {2: 0.85, 3: 0.15}, "heat_pump": {2: 0.5, 3: 0.5},
        "car": {2: 0.9, 3: 0.1}, "pool": {1: 0.3, 2: 0.7}, "": {2: 0.75, 3: 0.25},
    },
}  # fmt: skip
# Main fuse or breaker of a line [A], ratings of CTs [A].
_MAIN_AMPS: Final[Mapping[str, Weighted]] = {
    "230": {40: 0.2, 50: 0.15, 63: 0.35, 80: 0.15, 100: 0.15},
    "230/400": {25: 0.15, 32: 0.15, 35: 0.2, 40: 0.15, 50: 0.2, 63: 0.15},
    "120/208 three-phase": {100: 0.2, 150: 0.2, 200: 0.4, 400: 0.2},
}
_CT_AMPS: Final[Mapping[str, Weighted]] = {
    "230": {50: 0.2, 60: 0.3, 100: 0.4, 120: 0.1}, "230/400": {50: 0.35, 60: 0.25, 100: 0.3, 120: 0.1},
    "120/208 three-phase": {100: 0.2, 200: 0.6, 400: 0.2},
}  # fmt: skip
# Volts above which a home is not in North America; its time zones.
SMALL_KW, ONE_LINE_MOST_KW, TWO_LINES_MOST_KW = 3.7, 4.6, 7.0
TWO_LINES_SHARE, SMALL_ON_THREE_SHARE = 0.2, 0.1
NO_PV_ON_SHARE = 0.5  # of registers that don't say which lines the inverter feeds
BY_LINE_SHARE = 0.25  # of homes with three lines whose source gives production by line
EVEN, LEANING, LEANING_SHARE = 6.0, 1.5, 0.5  # how evenly circuits are dealt over three lines (Dirichlet)
LEAST_SHARE = 0.02
LARGER = 1.6  # arrays of 120/208 three-phase homes over those of other homes
# Oddities that a home with one line can't have, and one with three: crossed and turned is no harmless pair there.
ONE_LINE_UNFIT: Final = ("single_leg_inverter", "loose_neutral", "crossed_and_turned")
THREE_LINES_UNFIT: Final = ("crossed_and_turned",)
SINGLE_LINE_INVERTER = "single_leg_inverter"


def is_dealt_anew(service: str | None) -> bool:
    """Return whether homes on this service are drawn by this module: not those of two legs, nor "single"."""
    return service in _MAIN_AMPS


def has_230_volts(service: str | None) -> bool:
    """Return whether a fleet of this service stands where lines have about 230 V."""
    return is_dealt_anew(service) and service_of(service).volts > HIGH_FROM_V


def draw_from(weights: Weighted, rng: np.random.Generator) -> Any:
    """Draw a key by its weight; one random number, whatever the weights."""
    shares = np.cumsum(list(weights.values()))
    return list(weights)[int(np.searchsorted(shares / shares[-1], rng.random(), side="right"))]


def draw_main_amps(service: str, rng: np.random.Generator) -> int:
    """Draw the rating of a line's main fuse or breaker [A]."""
    return int(draw_from(_MAIN_AMPS[service], rng))


def draw_ct_amps(service: str, rng: np.random.Generator) -> int:
    """Draw the rating of the CTs [A]."""
    return int(draw_from(_CT_AMPS[service], rng))


def draw_load_lines(service: str, kind: str, rng: np.random.Generator) -> tuple[int, ...]:
    """Draw the lines of a large load of this kind ("range", "dryer", "heater", "heat_pump", "car", "pool", "" any)."""
    count = draw_from(_LINES_OF_LARGE[service][kind], rng)
    fitting = [lines for lines in connections(service) if len(lines) == count]
    return fitting[int(rng.integers(len(fitting)))]


def draw_line_shares(rng: np.random.Generator) -> tuple[float, ...]:
    """Draw the share of circuits on each of three lines: some homes evenly, some leaning far to one or two lines."""
    evenness = LEANING if rng.random() < LEANING_SHARE else EVEN
    shares = np.maximum(rng.dirichlet(np.full(3, evenness)), LEAST_SHARE)
    return tuple((shares / shares.sum()).tolist())


def draw_pv_leg(service: str, ac_kw: float, rng: np.random.Generator) -> str:
    """Draw which of three lines an inverter of this rating [kW] feeds, a leg's code; BOTH for all of them."""
    two, on_three, start = (
        rng.random() < TWO_LINES_SHARE,
        rng.random() < SMALL_ON_THREE_SHARE,
        int(rng.integers(3)),
    )
    pair = leg_code((LINES[start], LINES[(start + 1) % 3]), 3)
    if not has_230_volts(service):  # inverters of 208 V, larger ones on three lines
        return pair if ac_kw <= ONE_LINE_MOST_KW or (ac_kw <= 2 * ONE_LINE_MOST_KW and not on_three) else BOTH
    if ac_kw > TWO_LINES_MOST_KW or (ac_kw <= ONE_LINE_MOST_KW and on_three):
        return BOTH
    if ac_kw > SMALL_KW and two:
        return pair
    return BOTH if ac_kw > ONE_LINE_MOST_KW else LINES[start]


def draw_pv_on(pv_leg: str, rng: np.random.Generator) -> str | None:
    """Draw what the register says of the lines that the inverter feeds: half the time nothing."""
    return None if rng.random() < NO_PV_ON_SHARE else name_pv_on(pv_leg)


def name_pv_on(pv_leg: str) -> str:
    """Return how a register names the lines that the inverter feeds."""
    return "all" if pv_leg == BOTH else pv_leg


def size_large(service: str, kind: str, row: int, *, watts: float, minutes: float) -> tuple[float, float]:
    """Return the power [W] and run [min] of a large load, as what is sold for its lines; others stay as they are.

    Parameters
    ----------
    service, kind
        As for `draw_load_lines`.
    row
        Where it stands, of `connections`.
    watts, minutes
        Of the same load between two legs.
    """
    if not has_230_volts(service):
        return watts, minutes
    on_three = len(connections(service)[row // 2]) == 3
    if kind == "car":
        return (11_000.0 if on_three and watts > 4000.0 else min(watts, 7360.0)), minutes
    if kind == "heater" and on_three:  # hot water made while it runs
        return 4.2 * watts, minutes / 5
    return (min(watts, 3700.0) if kind == "heat_pump" and not on_three else watts), minutes


def values_on(
    service: str, array: Array | None, hard: str, *, bundle_a_share: float, rng: np.random.Generator
) -> dict[str, Any]:
    """Draw what a home's plan is on this service: its values that differ from those of two legs.

    Parameters
    ----------
    service
        One that `is_dealt_anew`.
    array, hard, bundle_a_share
        Of the home as drawn for two legs.
    rng
        Of the home.
    """
    known = service_of(service)
    values = {"service": service, "volts": known.volts, "ct_amps": draw_ct_amps(service, rng)}
    if known.line_count == 1:
        return values | {"hard": "" if hard in ONE_LINE_UNFIT else hard, "pv_leg": BOTH}
    shares = draw_line_shares(rng)
    base = 0.5 * np.array(shares) + 0.5 * np.array(draw_line_shares(rng))
    if hard == "vacant" and rng.random() < 0.4:  # what is left on may all be on one line
        base = np.eye(3)[int(rng.integers(3))]
    hard = "" if hard in THREE_LINES_UNFIT else hard
    if array and known.volts < HIGH_FROM_V:
        array = replace(array, dc_w=LARGER * array.dc_w, ac_w=round(LARGER * array.ac_w, -2))
    if array and hard == SINGLE_LINE_INVERTER and array.ac_w > 1000.0 * ONE_LINE_MOST_KW:
        array = replace(
            array, dc_w=array.dc_w * 1000.0 * ONE_LINE_MOST_KW / array.ac_w, ac_w=1000.0 * ONE_LINE_MOST_KW
        )
    pv_leg = draw_pv_leg(service, array.ac_w / 1000.0, rng) if array else BOTH
    if hard == SINGLE_LINE_INVERTER:
        pv_leg = LINES[int(rng.integers(3))]
    return values | {
        "hard": hard, "array": array, "pv_leg": pv_leg, "pv_on": draw_pv_on(pv_leg, rng) if array else None,
        "is_by_line": bool(rng.random() < BY_LINE_SHARE), "production_leg": int(rng.integers(1, 4)),
        "line_shares": shares,
        "group_shares": tuple(float(on) * part for on in base for part in (bundle_a_share, 1 - bundle_a_share)),
    }  # fmt: skip
