"""What the probes of one leg against the other say: crosstalk, mirrored or copied legs, 240 V loads, voltage sag."""

from __future__ import annotations

from math import exp

from pipeline.core.number_text import number
from pipeline.core.percent_text import percent
from pipeline.probes.leg_text import NOT_KNOWN, Row, known_legs, plain, say_legs, signed, together, value_of

_LEAST_LEAK = 0.1  # W per W; less is noise
_MOSTLY, _FEW = 0.5, 0.1  # shares of steps
_SURE_Z = 3.0
_MOST_LOG = 7.0  # log ratio from which a leg has a thousand times the other
_OTHER = {"l1": "L2", "l2": "L1"}


def tell_leaks(row: Row) -> str:
    """Say whether a load on one leg alone shows on the other leg's CT."""
    leaks = known_legs(row, "leak_{}")
    if not leaks:
        return NOT_KNOWN
    found = [
        f"{leg.upper()} shows {signed(leak)} W per W of a load on {_OTHER[leg]} alone"
        for leg, leak in leaks
        if abs(leak) > max(_LEAST_LEAK, _SURE_Z * (value_of(row, f"leak_{leg}_se") or 0.0))
    ]
    if found:
        return f"crosstalk: {together(found)}, right is 0.00"
    said = together([f"{leg.upper()} {plain(leak)}" for leg, leak in leaks])
    return f"a load on one leg alone does not clearly show on the other: {said} W per W, right is 0.00"


def tell_mirror(row: Row) -> str:
    """Say whether L2 mirrors or copies L1, as two CTs on one conductor do."""
    mirrored, equal = value_of(row, "mirror_share"), value_of(row, "equal_share")
    steps = value_of(row, "active_steps") or 0.0
    if mirrored is None or equal is None:
        return "too few load steps at night to compare the legs"
    of = f"{number(steps)} load steps at night"
    if max(mirrored, equal) >= _MOSTLY:
        how = "mirrors L1 (same size, sign turned)" if mirrored > equal else "copies L1"
        share = percent(max(mirrored, equal))
        return f"L2 {how} in {share} of {of}, as two CTs on one conductor do (right is few)"
    return f"of {of} L2 {_often('mirrors', 'L1', mirrored)} and {_often('copies', 'it', equal)}, right is few"


def tell_pairs(row: Row) -> str:
    """Say how much L2 steps for one of L1 where a 240 V load switches, and whether it steps the other way."""
    log_ratio, count = value_of(row, "pair_log_ratio"), value_of(row, "pair_n")
    if log_ratio is None:
        return "too few 240 V loads to compare the legs"
    ratio = f"{plain(exp(min(log_ratio, _MOST_LOG)))} times as much as L1"
    steps = "their steps" if count is None else f"{number(count)} step{'' if count == 1 else 's'}"
    opposite = value_of(row, "pair_opposite_share") or 0.0
    turned = f"in {percent(opposite)} of {steps}, right is hardly ever"
    if opposite > _MOSTLY:
        return f"240 V loads step L2 the opposite way to L1 {turned} ({ratio}, right is 1.00)"
    if opposite > _FEW:
        return f"240 V loads step L2 {ratio}, right is 1.00, and the opposite way {turned}"
    return f"240 V loads step L2 {ratio} in {steps}, right is 1.00"


def tell_sag(row: Row) -> str:
    """Say whether each leg's load pulls its own leg's voltage down: which leg a CT is on, and which way round."""
    right: list[tuple[str, str]] = []
    wrong: list[tuple[str, str]] = []
    is_small = False
    for leg, moved_v in known_legs(row, "sag_{}"):
        z = value_of(row, f"sag_{leg}_z")
        if z is not None:
            own_z = -z if leg == "l1" else z
            is_small |= abs(own_z) <= _SURE_Z
            if abs(own_z) > _SURE_Z:
                (right if own_z > 0 else wrong).append((leg, f"{plain(abs(moved_v))} V"))
    if wrong:
        said = say_legs(
            wrong,
            "on the other leg or turned around: its own leg's voltage rises {} per kW",
            "on each other's leg or turned around: their own legs' voltage rises {} per kW",
        )
        others = "".join(f" ({leg.upper()} drops {volts})" for leg, volts in right)
        return f"voltage sag puts {said}, right is a drop{others}"
    if right:
        said = say_legs(
            right,
            "on its own leg: the voltage drops {} per kW of its load",
            "on their own legs: the voltage drops {} per kW of their load",
        )
        return f"voltage sag puts {said}, right is a drop"
    return "voltage sag is too small to tell the legs" if is_small else "voltage sag can't tell the legs"


def _often(verb: str, what: str, share: float) -> str:
    return f"{verb} {what} in {percent(share)}" if share > 0 else f"never {verb} {what}"
