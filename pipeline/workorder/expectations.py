"""The test with a known load in words: what each channel should show, and what it shows if the suspicion holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from pipeline.core.line_words import line_words
from pipeline.core.services import LINES, lines_of
from pipeline.core.setting_sections import OrderSettings
from pipeline.faults.fault_text import fault_title
from pipeline.faults.types import Fault
from pipeline.report import words
from pipeline.workorder.install import Install
from pipeline.workorder.load_test import Response, fault_response, right_response
from pipeline.workorder.order import Case, Expectation, Other

PRODUCTION = "production"
_MOST_LIKELY = 0.5


class KnownLoadTest(NamedTuple):
    """The test of one home.

    `rows` is one a switch; `channels` are worth a column: those of consumption, and production where the suspicion says
    that it moves wrongly. `is_silent`: the known load reads right also while the fault is there, so it can't show it.
    `others` are the other explanations, likeliest first.
    """

    rows: tuple[Expectation, ...]
    channels: tuple[str, ...]
    is_silent: bool
    others: tuple[Other, ...]


def known_load_test(case: Case, catalogue: Mapping[str, Fault], settings: OrderSettings) -> KnownLoadTest:
    """Return the known-load test of one home: the load on each line with the solar off, then the sun alone."""
    lines, has_pv = case.install.lines, case.install.has_pv
    load = f"{words.number(settings.known_load_w)} W"
    switches = {row: f"{load} on an outlet of {line.upper()}, solar off" for row, line in enumerate(lines)}
    if has_pv:
        switches[len(lines)] = f"solar on, at {words.number(settings.solar_w)} W"
    consumption = channel_names(case.install)
    channels = dict(enumerate((*consumption, *((PRODUCTION,) if has_pv else ()))))
    right = right_response(case.install, settings)
    suspected = _respond(case.fault, case, case.leg, settings, wiring=_likeliest_wiring(case))
    by_w = settings.load_tolerance * settings.known_load_w

    def tell_apart(other: Response | None) -> str | None:
        """Return the first switch and channel in which the two can't be taken for each other, in words."""
        if suspected is None or other is None:
            return None
        for switch, name in switches.items():
            for column, channel in channels.items():
                if suspected.is_apart(other, (switch, column), by_w):
                    move = moves_text(other, (switch, column), settings)
                    suspected_move = moves_text(suspected, (switch, column), settings)
                    return f"With {name}: {channel} moves by {move} W (suspected: {suspected_move} W)."
        return None

    def explain(name: str, share: float) -> Other:
        if name not in catalogue:
            test = tell_apart(right)
            text = f"{test} Then change nothing." if test else "Every check reads right: change nothing."
            return Other("nothing wrong", share, text)
        fault = catalogue[name]
        test = tell_apart(_respond(fault, case, case.leg, settings))
        text = test or f"One known load can't tell; look: {case.retell(fault.story)}"
        return Other(fault_title(name, len(lines)), share, text)

    rows = []
    for switch, name in switches.items():
        cells = {channel: (switch, column) for column, channel in channels.items()}
        right_texts = {channel: accepted_text(right.low[cell], settings) for channel, cell in cells.items()}
        texts = {
            channel: moves_text(suspected, cell, settings) for channel, cell in cells.items() if suspected
        }
        short = f"load on {lines[switch].upper()}" if switch < len(lines) else "solar on"
        rows.append(Expectation(name, right_texts, texts, short))
    is_moved = any(
        not row.right[PRODUCTION].startswith(row.now[PRODUCTION]) for row in rows if has_pv and row.now
    )
    shares: dict[str, float | None] = case.home.score["fault_likelihoods"] or {}
    other_shares = sorted(
        ((name, share) for name, share in shares.items() if name != case.fault.name and share),
        key=lambda pair: (-pair[1], pair[0]),
    )
    near = sum(share >= settings.others_from for _, share in other_shares)
    count = min(settings.others, max(near, settings.others_least))
    return KnownLoadTest(
        tuple(rows),
        (*consumption, *((PRODUCTION,) if is_moved else ())),
        suspected is None or suspected.is_within(right, by_w),
        tuple(explain(*pair) for pair in other_shares[:count]),
    )


def channel_names(install: Install) -> tuple[str, ...]:
    """Return what people call the consumption channels: L1 and so on, or the total of all lines."""
    if install.is_summed:
        return (f"total of {line_words(len(install.lines)).together}",)
    return tuple(channel.upper() for channel in install.channels)


def _likeliest_wiring(case: Case) -> str | None:
    """Return the code of the home's likeliest wiring, if it is likelier than all others and has a line a channel."""
    wirings = case.home.wirings
    if wirings is None or len(case.install.channels) < len(LINES):
        return None
    code, share = wirings.select("wiring", "likelihood").row(0)
    return str(code) if share > _MOST_LIKELY else None


def _respond(
    fault: Fault, case: Case, leg: str | None, settings: OrderSettings, *, wiring: str | None = None
) -> Response | None:
    legs = fault.legs_on(case.install.service)
    leg = leg if leg in legs else _nearest_leg(legs, leg, len(case.install.lines))
    return fault_response(fault, leg, case.install, signal=case.home.signal, settings=settings, wiring=wiring)


def _nearest_leg(legs: Sequence[str], leg: str | None, line_count: int) -> str:
    """Return the leg, of those that a fault can have, that has all lines of this one and least besides."""
    wanted = set(lines_of(leg, line_count))
    around = [code for code in legs if wanted <= set(lines_of(code, line_count))]
    return min(around or legs, key=lambda code: len(lines_of(code, line_count)))


def moves_text(response: Response, cell: tuple[int, int], settings: OrderSettings) -> str:
    """Return by how much a (switch, channel) moves [W]: "0", "−1 500", "+450 to +750", "0 or +1 500"."""
    low, high, quiet_w = float(response.low[cell]), float(response.high[cell]), settings.quiet_w
    if max(abs(low), abs(high)) <= quiet_w:
        return "0"
    if high - low <= 2 * quiet_w:
        middle = (low + high) / 2
        return "0" if abs(middle) <= quiet_w else _watts(middle)
    near, far = sorted((low, high), key=abs)
    return f"{_watts(near)} {'or' if response.is_either[cell] else 'to'} {_watts(far)}"


def accepted_text(value: float, settings: OrderSettings) -> str:
    """Return what counts as right for a channel that should move by this [W]: "+1 500 ± 150"."""
    if abs(value) <= settings.quiet_w:
        return f"0 ± {settings.quiet_w:.0f}"
    return f"{_watts(value)} ± {words.number(round(abs(value) * settings.load_tolerance, -1))}"


def _watts(value: float) -> str:
    """Return signed whole tens of watts without the unit: "+1 500"."""
    return words.number(round(value, -1), sign=True)
