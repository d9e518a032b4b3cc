"""What the probes of one leg against the other say: crosstalk, mirrored or copied legs, 240 V loads, voltage sag.

A home of three lines has three pairs of lines; of these the one that lies farthest from right is spoken of.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import exp
from typing import NamedTuple

from pipeline.core.line_pairs import PAIRS
from pipeline.core.number_text import number
from pipeline.core.percent_text import percent
from pipeline.probes.leg_text import NOT_KNOWN, Row, known_legs, plain, say_legs, signed, together, value_of

_LEAST_LEAK = 0.1  # W per W; less is noise
_MOSTLY, _FEW = 0.5, 0.1  # shares of steps
_SURE_Z = 3.0
_MOST_LOG = 7.0  # log ratio from which a leg has a thousand times the other
_OTHER = {"l1": "L2", "l2": "L1"}


class _Pair(NamedTuple):
    """Two legs ("l2", "l3") with the numbers about both under the names that a home of two legs has."""

    one: str
    other: str
    row: Row


def columns_of_pairs(*names: str) -> tuple[str, ...]:
    """Return these columns about a pair of legs, and what they are called for each further pair of three lines."""
    return tuple(f"{name}{suffix}" for suffix in ("", "_23", "_31") for name in names)


def _pairs_of(row: Row, names: Sequence[str]) -> list[_Pair]:
    """Return the home's pairs of legs that have any of these numbers; a home of two legs has one at most."""
    pairs = [
        _Pair(*legs, row if pair == "12" else {name: row.get(f"{name}_{pair}") for name in names})
        for pair, legs in PAIRS.items()
    ]
    return [pair for pair in pairs if any(pair.row.get(name) is not None for name in names)]


def _has_three(row: Row) -> bool:
    return any(name.endswith(("_23", "_31", "_l3")) and value is not None for name, value in row.items())


def _farthest(row: Row, names: Sequence[str], distance: Callable[[Row], float]) -> _Pair:
    pairs = _pairs_of(row, names)
    return max(pairs, key=lambda pair: distance(pair.row)) if pairs else _Pair("l1", "l2", row)


def tell_leaks(row: Row) -> str:
    """Say whether a load on one leg alone shows on the other leg's CT."""
    leaks = known_legs(row, "leak_{}")
    if not leaks:
        return NOT_KNOWN
    has_three = _has_three(row)
    found = [
        f"{leg.upper()} shows {signed(leak)} W per W of a load on"
        f" {'another line' if has_three else _OTHER[leg]} alone"
        for leg, leak in leaks
        if abs(leak) > max(_LEAST_LEAK, _SURE_Z * (value_of(row, f"leak_{leg}_se") or 0.0))
    ]
    if found:
        return f"crosstalk: {together(found)}, right is 0.00"
    said = together([f"{leg.upper()} {plain(leak)}" for leg, leak in leaks])
    word = (
        "line alone does not clearly show on the others"
        if has_three
        else "leg alone does not clearly show on the other"
    )
    return f"a load on one {word}: {said} W per W, right is 0.00"


def tell_mirror(row: Row) -> str:
    """Say whether L2 mirrors or copies L1, as two CTs on one conductor do."""
    names = ("mirror_share", "equal_share", "active_steps")
    one, other, numbers = _farthest(row, names, _same_share)
    mirrored, equal = value_of(numbers, "mirror_share"), value_of(numbers, "equal_share")
    steps = value_of(numbers, "active_steps") or 0.0
    if mirrored is None or equal is None:
        return f"too few load steps at night to compare the {'lines' if _has_three(row) else 'legs'}"
    of = f"{number(steps)} load steps at night"
    one, other = one.upper(), other.upper()
    if max(mirrored, equal) >= _MOSTLY:
        how = f"mirrors {one} (same size, sign turned)" if mirrored > equal else f"copies {one}"
        share = percent(max(mirrored, equal))
        return f"{other} {how} in {share} of {of}, as two CTs on one conductor do (right is few)"
    return f"of {of} {other} {_often('mirrors', one, mirrored)} and {_often('copies', 'it', equal)}, right is few"


def _same_share(row: Row) -> float:
    return max(value_of(row, "mirror_share") or 0.0, value_of(row, "equal_share") or 0.0)


def tell_pairs(row: Row) -> str:
    """Say how much L2 steps for one of L1 where a 240 V load switches, and whether it steps the other way."""
    names = ("pair_log_ratio", "pair_opposite_share", "pair_n")
    one, other, numbers = _farthest(row, names, _pair_distance)
    loads = "loads on two or three lines at once" if _has_three(row) else "240 V loads"
    log_ratio, count = value_of(numbers, "pair_log_ratio"), value_of(numbers, "pair_n")
    if log_ratio is None:
        return f"too few {loads} to compare the {'lines' if _has_three(row) else 'legs'}"
    one, other = one.upper(), other.upper()
    ratio = f"{plain(exp(min(log_ratio, _MOST_LOG)))} times as much as {one}"
    steps = "their steps" if count is None else f"{number(count)} step{'' if count == 1 else 's'}"
    opposite = value_of(numbers, "pair_opposite_share") or 0.0
    turned = f"in {percent(opposite)} of {steps}, right is hardly ever"
    if opposite > _MOSTLY:
        return f"{loads} step {other} the opposite way to {one} {turned} ({ratio}, right is 1.00)"
    if opposite > _FEW:
        return f"{loads} step {other} {ratio}, right is 1.00, and the opposite way {turned}"
    return f"{loads} step {other} {ratio} in {steps}, right is 1.00"


def _pair_distance(row: Row) -> float:
    ratio = value_of(row, "pair_log_ratio")
    return (
        -1.0
        if ratio is None
        else min(abs(ratio), _MOST_LOG) + 2 * (value_of(row, "pair_opposite_share") or 0.0)
    )


def tell_sag(row: Row) -> str:
    """Say whether each leg's load pulls its own leg's voltage down: which leg a CT is on, and which way round."""
    has_three = _has_three(row)
    moved: dict[str, list[tuple[float, float]]] = {}  # by leg: standard errors the right way round, and V/kW
    for one, other, numbers in _pairs_of(row, ("sag_l1", "sag_l2", "sag_l1_z", "sag_l2_z")):
        for leg, side in ((one, "l1"), (other, "l2")):
            volts, z = value_of(numbers, f"sag_{side}"), value_of(numbers, f"sag_{side}_z")
            if volts is not None and z is not None:
                moved.setdefault(leg, []).append((-z if side == "l1" else z, abs(volts)))
    right: list[tuple[str, str]] = []
    wrong: list[tuple[str, str]] = []
    is_small = False
    for leg, seen in sorted(moved.items()):
        own_z, volts = min(seen)
        if (
            own_z >= -_SURE_Z
        ):  # of three lines each is held against two others: the wrong way round comes first
            own_z, volts = max(seen)
        is_small |= abs(own_z) <= _SURE_Z
        if abs(own_z) > _SURE_Z:
            (right if own_z > 0 else wrong).append((leg, f"{plain(volts)} V"))
    leg_word, each_other = "line" if has_three else "leg", "each other's leg"
    if wrong:
        said = say_legs(
            wrong,
            f"on {'another line' if has_three else 'the other leg'} or turned around:"
            f" its own {leg_word}'s voltage rises {{}} per kW",
            f"on {'another line' if has_three else each_other} or turned around:"
            f" their own {leg_word}s' voltage rises {{}} per kW",
        )
        others = "".join(f" ({leg.upper()} drops {volts})" for leg, volts in right)
        return f"voltage sag puts {said}, right is a drop{others}"
    if right:
        said = say_legs(
            right,
            f"on its own {leg_word}: the voltage drops {{}} per kW of its load",
            f"on their own {leg_word}s: the voltage drops {{}} per kW of their load",
        )
        return f"voltage sag puts {said}, right is a drop"
    unclear = "is too small to tell" if is_small else "can't tell"
    return f"voltage sag {unclear} the {leg_word}s"


def _often(verb: str, what: str, share: float) -> str:
    return f"{verb} {what} in {percent(share)}" if share > 0 else f"never {verb} {what}"
