"""Safety calls in words: what was measured, with what is right, and why a call stands where it does."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from pipeline.core.line_columns import PAIRS
from pipeline.core.setting_sections import VerdictSettings

CALL_NOW = "call now"
CALLED = "called, not repaired yet"
REPAIRED = "repaired, waiting for data"
CLEARED = "repaired, and the data since agree"
# What is open, most urgent first.
OPEN = (CALL_NOW, CALLED, REPAIRED)
# Of a service and a transformer in order; the settings [verdict] neutral_... rest on it.
RIGHT = "about 0.1 to 0.3 V per kW, up to 1 V on a long thin drop"
RIGHT_OF_THREE = "about 0.1 to 1 V per kW, up to 2 V on long shared mains"


def limit_of(seen: Mapping[str, Any], verdict: VerdictSettings) -> float:
    """Return from how many V per kW on a loose neutral is suspected at a home; an older run doesn't say it."""
    limit = seen.get("limit_v_per_kw")
    return verdict.neutral_v_per_kw if limit is None else float(limit)


def measured_text(seen: Mapping[str, Any], as_of: date, verdict: VerdictSettings) -> str:
    """Return how V1 - V2 moves with each leg's load, with standard errors, and what is right; of three lines each pair.

    Parameters
    ----------
    seen
        v_per_kw, limit_v_per_kw, and v_per_kw_l1, v_per_kw_l2 of each pair with their standard errors [V/kW];
        nights, data_from.
    as_of, verdict
        The night, and section [verdict].
    """
    pairs = {pair: lines for pair, lines in PAIRS.items() if _has_pair(seen, pair)}
    moved = "; ".join(_moved(seen, pair, lines) for pair, lines in pairs.items())
    sizes = [abs(seen[f"v_per_kw_{line}{pair}"]) for pair in pairs for line in ("l1", "l2")]
    size = seen["v_per_kw"]
    counted = (
        f", {size:.2f} V for each kW that flows, as the CTs may read less"
        if size < 0.95 * min(sizes, default=0.0)
        else ""
    )
    span = (
        f"{_nights(seen['nights'])}, {seen['data_from']} to {as_of}"
        if seen["data_from"]
        else f"up to {as_of}"
    )
    first, second, right = "the first line of each pair", "the second", RIGHT_OF_THREE
    if len(pairs) == 1:
        first, second = (line.upper() for line in next(iter(pairs.values())))
        right = RIGHT
    return (
        f"{moved}{counted}, by the data of {span}. Right is minus on {first} and plus on {second}, {right}; "
        f"a loose neutral is suspected from {limit_of(seen, verdict):.2g} V per kW"
    )


def _has_pair(seen: Mapping[str, Any], pair: str) -> bool:
    return all(seen.get(f"v_per_kw_{line}{pair}") is not None for line in ("l1", "l2"))


def _moved(seen: Mapping[str, Any], pair: str, lines: tuple[str, str]) -> str:
    """Return how the voltage between two lines moves with the load of each."""
    first, second = (line.removeprefix("l") for line in lines)
    by_line = " and ".join(
        f"{seen[f'v_per_kw_{end}{pair}']:+.2f} V for each kW of {line.upper()}"
        f" (standard error {seen[f'v_per_kw_{end}_se{pair}']:.2f})"
        for end, line in zip(("l1", "l2"), lines, strict=True)
    )
    return f"V{first} - V{second} moves {by_line}"


def status_text(call: Mapping[str, Any], seen: Mapping[str, Any], settings: VerdictSettings) -> str:
    """Return why the call stands where it does.

    Parameters
    ----------
    call
        The row of table safety_call so far, and `cleared_before`, the night that closed an earlier call.
    seen
        What tonight's data say: data_from, nights, v_per_kw; empty where the home is in the register no more.
    settings
        [verdict]; neutral_clear_nights counts.
    """
    called, repaired = call["called_on"], call["repaired_on"]
    if repaired is None:
        again = f"An earlier call was closed on {call['cleared_before']}. " if call["cleared_before"] else ""
        if called is not None:
            days = (call["as_of"] - called).days
            ago = "today" if not days else f"{days} day{'s' if days != 1 else ''} ago"
            return f"{again}Called on {called}, {ago}; no repair is recorded. {_tonight(call, seen)}"
        return f"{again}No call is recorded. {_tonight(call, seen)}"
    if seen.get("data_from") is None or seen["data_from"] <= repaired:
        return f"Repaired on {repaired}, as recorded; no data since"
    so_far = f"{_nights(seen['nights'])} of data since"
    if call["is_shown"]:
        return f"Repaired on {repaired}, as recorded, but {so_far} still show it: call again"
    if call["status"] == CALL_NOW:
        return f"Repaired on {repaired}, as recorded, but the data since showed it up to {call['shown_on']}: call again"
    if not call["is_open"]:
        return f"Repaired on {repaired}, and {so_far} agree: {seen['v_per_kw']:.2f} V per kW"
    wanted = settings.neutral_clear_nights
    if (seen["nights"] or 0) < wanted:
        return f"Repaired on {repaired}, as recorded; {so_far} don't show it, {wanted} are needed"
    return (
        f"Repaired on {repaired}, as recorded; {so_far} can't tell yet: too little load to move the voltages"
    )


def _tonight(call: Mapping[str, Any], seen: Mapping[str, Any]) -> str:
    """Return what tonight's data say of a call without a repair."""
    if not seen:
        return "The home is no longer in the register of homes: the call stays open"
    if seen["data_from"] is None:
        return "No data in the window: the call stays open"
    if call["is_shown"]:
        return "The data show it"
    return (
        f"{_nights(seen['nights'])} of data don't show it now: a loose contact can come and go, so the call stays open "
        "until a repair or a check on site is recorded"
    )


def _nights(number: int | None) -> str:
    return f"{number or 0} night{'' if number == 1 else 's'}"
