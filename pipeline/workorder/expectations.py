"""The test with a known load in words: what each channel should show, and what it shows if the suspicion holds."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.core.setting_sections import OrderSettings
from pipeline.faults.types import Fault
from pipeline.report import fault_cards, words
from pipeline.workorder.order import Case, Expectation, Other
from pipeline.workorder.say import accepted, moves
from pipeline.workorder.trial import CHANNELS, Trial, fault_trial, right_trial

_NAMES = {"l1": "L1", "l2": "L2", "pv": "production"}


def expectations(case: Case, own: OrderSettings) -> tuple[Expectation, ...]:
    """Return a row a switch: the load on each leg with the solar off, then the sun alone."""
    right = right_trial(case.install, own)
    now = _trial(case.fault, case, case.leg, own)
    return tuple(
        Expectation(
            name,
            {_NAMES[c]: accepted(right.low[switch, at], own) for at, c in _channels(case)},
            {_NAMES[c]: _moves(now, switch, at, own) for at, c in _channels(case)} if now else {},
        )
        for switch, name in _switches(case, own)
    )


def worth_a_column(rows: tuple[Expectation, ...], case: Case) -> tuple[str, ...]:
    """Return the channels to print: the legs, and production where the suspicion says that it moves wrongly."""
    legs = [_NAMES[leg] for leg in case.install.channels]
    production = _NAMES["pv"]
    is_told = any(
        production in row.now and not row.right[production].startswith(row.now[production]) for row in rows
    )
    return (*legs, *((production,) if is_told else ()))


def is_silent(case: Case, own: OrderSettings) -> bool:
    """Tell whether the known load reads right also while the fault is there, so that it can't show it."""
    now = _trial(case.fault, case, case.leg, own)
    return now is None or now.is_within(right_trial(case.install, own), own.load_tolerance * own.known_load_w)


def others(case: Case, catalogue: Mapping[str, Fault], own: OrderSettings) -> tuple[Other, ...]:
    """Return the other explanations, likeliest first, each with the test that tells it from the suspected one."""
    shares: dict[str, float | None] = case.home.score["fault_likelihoods"] or {}
    rest = sorted(
        ((name, share) for name, share in shares.items() if name != case.fault.name and share),
        key=lambda pair: (-pair[1], pair[0]),
    )
    near = sum(share >= own.others_from for _, share in rest)
    suspected = _trial(case.fault, case, case.leg, own)
    found = []
    for name, share in rest[: min(own.others, max(near, own.others_least))]:
        if name not in catalogue:
            test = _told(suspected, right_trial(case.install, own), case, own)
            told = f"{test} Then change nothing." if test else "Every check reads right: change nothing."
            found.append(Other("nothing wrong", share, told))
            continue
        other = catalogue[name]
        leg = case.leg if case.leg in other.legs else "both" if "both" in other.legs else other.legs[0]
        test = _told(suspected, _trial(other, case, leg, own), case, own)
        told = test or f"One known load can't tell; look: {fault_cards.words(other.story)}"
        found.append(Other(name.replace("_", " "), share, told))
    return tuple(found)


def _trial(fault: Fault, case: Case, leg: str | None, own: OrderSettings) -> Trial | None:
    legs = fault.legs_on(case.install.service)
    return fault_trial(fault, leg if leg in legs else legs[0], case.install, dict(case.signal), own)


def _channels(case: Case) -> list[tuple[int, str]]:
    wanted = (*case.install.channels, *(("pv",) if case.install.has_pv else ()))
    return [(at, channel) for at, channel in enumerate(CHANNELS) if channel in wanted]


def _switches(case: Case, own: OrderSettings) -> list[tuple[int, str]]:
    load = f"{words.number(own.known_load_w)} W"
    rows = [
        (at, f"{load} on an outlet of {words.leg(leg)}, solar off")
        for at, leg in enumerate(("l1", "l2"))
        if leg in case.install.channels
    ]
    if case.install.has_pv:
        rows.append((2, f"solar on, at {words.number(own.solar_w)} W"))
    return rows


def _moves(trial: Trial, switch: int, at: int, own: OrderSettings) -> str:
    is_either = bool(trial.is_either[switch, at])
    return moves(float(trial.low[switch, at]), float(trial.high[switch, at]), is_either, own)


def _apart(one: Trial, other: Trial, case: Case, own: OrderSettings) -> tuple[int, int] | None:
    """Return the first switch and channel in which the two can't be taken for each other."""
    by = own.load_tolerance * own.known_load_w
    for switch, _ in _switches(case, own):
        for at, _ in _channels(case):
            if one.is_apart(other, switch, at, by):
                return switch, at
    return None


def _told(suspected: Trial | None, other: Trial | None, case: Case, own: OrderSettings) -> str | None:
    if suspected is None or other is None:
        return None
    found = _apart(suspected, other, case, own)
    if found is None:
        return None
    switch, at = found
    name, channel = dict(_switches(case, own))[switch], _NAMES[CHANNELS[at]]
    here = _moves(other, switch, at, own)
    there = _moves(suspected, switch, at, own)
    return f"With {name}: {channel} moves by {here} W (suspected: {there} W)."
