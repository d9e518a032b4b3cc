"""One home in plain text: what is suspected, why, what else it could be, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from textwrap import wrap
from typing import Any

import polars as pl

from pipeline.commands.explain_safety import safety_lines
from pipeline.commands.explain_wirings import wiring_lines
from pipeline.core.contract import SAFETY, SOUND
from pipeline.core.line_words import leg_name, line_words, lines_seen
from pipeline.core.percent_text import percent
from pipeline.faults.fault_text import fault_title
from pipeline.faults.types import CAUTIONS
from pipeline.report import words
from pipeline.report.home_page import notices
from pipeline.report.report_input import FaultCard
from pipeline.report.weight_table import Checks, home_checks, weight_sum
from pipeline.worklist.energy_so_far_text import so_far_text

Row = Mapping[str, Any]
WIDTH = 100
_SMALL_SHARE = 0.01  # likelihood; other faults below this are not told


def tell_home(
    site_id: str,
    score: Row,
    weights: pl.DataFrame,
    *,
    listed: Row | None,
    standing: Row,
    card: FaultCard,
    events: pl.DataFrame,
    call: Row | None = None,
    wirings: Row | None = None,
) -> str:
    """Return the page of text about a home, lines of at most 100 columns.

    Parameters
    ----------
    site_id
        The home.
    score
        The home's row of `site_scores`.
    weights
        Its rows of `site_weight` [log odds of a fault against a sound install].
    listed
        Its row of `revisit_list`, None where it isn't listed.
    standing
        Its row of the standings.
    card
        The likeliest fault in the words of this home's lines (`fault_cards.cards_for`).
    events
        Its rows of `home_story`.
    call
        Its row of `safety_call` if that is open.
    wirings
        Its likeliest wirings (`wiring_panel`); None where it hasn't three lines.
    """
    safety = safety_lines(call, lines_seen(score)) if call else ()
    checks = home_checks(weights, score["contradiction_probe"])
    sections = [
        ("SAFETY CALL FIRST", (line for label, text in safety for line in _field(label, text))),
        ("Before anything else", _cautions(score, listed, card)),
        ("Suspected, not found", _suspicion(score, listed, standing, card)),
        ("What decides", _checks(checks.deciding)),
        ("Likeliest wirings of its CTs", (line for text in wiring_lines(wirings) for line in _item(text))),
        ("What to do", _work(listed, standing, card, call)),
        ("What else it could be", _others(score, listed)),
        ("Status", _standing(standing)),
        ("What happened", _events(events)),
        ("All other checks", _other_checks(checks, weights)),
        ("For the quality lead: how the likelihood adds up", _weights(weights)),
    ]
    parts = [_heading(site_id, score)]
    for title, lines in sections:
        body = list(lines)
        if body:
            parts.append("\n".join([title, *body]))
    return "\n\n".join(parts) + "\n"


def _heading(site_id: str, score: Row) -> str:
    place = [
        f"area {score['area']}" if score["area"] else "",
        f"installed by {score['crew_id']}" if score["crew_id"] else "",
    ]
    first = ", ".join(part for part in (f"Home {site_id}", *place) if part)
    likelihood_text = f"{percent(score['likelihood'])} likely to have any CT install fault now"
    verdict_text = f"{likelihood_text}: {score['verdict']}."
    if score["verdict"] == SAFETY:
        of_cts = f"Its CTs: {likelihood_text}, {score['ct_verdict']}."
        verdict_text = f"SAFETY CALL: a suspected loose service neutral. {of_cts}"
    return "\n".join([*_text(first, ""), *_text(verdict_text, "")])


def _cautions(score: Row, listed: Row | None, card: FaultCard) -> Iterator[str]:
    """Yield what must be known first: doubts, and on a visit every caution."""
    for kind, notice in notices(score):
        if kind != "stop":  # a safety call has a section of its own, above all
            yield from _item(notice)
    if listed is not None and listed["fix_by"] == "visit":
        for caution in (*map(line_words(lines_seen(score)).retell, CAUTIONS), *card.cautions):
            yield from _item(caution)


def _suspicion(score: Row, listed: Row | None, standing: Row, card: FaultCard) -> Iterator[str]:
    if score["unproven_why"] and score["contradiction"]:
        yield from _text(f"If it is a fault: {_named(score, listed, card)}")
    elif listed is None and score["suspected_fault"] is None:
        reason = "no CT fault; the safety call stands" if score["verdict"] == SAFETY else standing["reason"]
        yield from _text(f"Nothing: {reason}.")
    else:
        yield from _text(_named(score, listed, card))
    if score["onset_evidence"]:
        yield from _text(f"It changed on {score['onset_on']}: {score['onset_evidence']}.")


def _named(score: Row, listed: Row | None, card: FaultCard) -> str:
    """Return the fault, its leg, how likely it is and any is, since when, and what happens there."""
    leg = listed["leg"] if listed else score["leg"]
    named = leg_name(leg, lines_seen(score))
    where = f" on {named}" if named else ""
    since = f"since {score['onset_on']}" if score["onset_on"] else "from the first day of data"
    likely = words.likelihoods(score["fault_likelihoods"].get(score["likely_fault"]), score["likelihood"])
    return f"{card.name}{where}, {since} ({likely}). {card.story}"


def _checks(lines: Sequence[tuple[str, str]]) -> Iterator[str]:
    for sentence, strength in lines:
        yield from _item(f"{words.sentence(sentence)} {words.sentence(strength)}")


def _other_checks(checks: Checks, weights: pl.DataFrame) -> Iterator[str]:
    if weights.is_empty():
        yield from _text("No data in the window, so nothing but the share of homes with a fault is known.")
    yield from _checks(checks.others)
    if checks.silent:
        yield from _text(f"Too little data to tell: {'; '.join(checks.silent)}.")


def _weights(weights: pl.DataFrame) -> Iterator[str]:
    """Yield prior + weights = sum, one line a probe, strongest first."""
    table = weight_sum(weights, None, {})
    if table is None:
        return
    for row in table["rows"]:
        yield f"  {row['weight']:>6}  {row['label']} ({row['odds']})"
    yield f"  {'-' * 6}"
    total = table["total"]
    yield f"  {total['weight']:>6}  any fault against a sound install: {total['odds']}"


def _others(score: Row, listed: Row | None) -> Iterator[str]:
    shares: Mapping[str, float | None] = score["fault_likelihoods"]
    named = listed["suspected_fault"] if listed else score["suspected_fault"] or SOUND
    lines = listed["also_possible"].split(" | ") if listed and listed["also_possible"] else []
    for line in lines:
        yield from _item(line)
    others = sorted(((share or 0.0, name) for name, share in shares.items() if name != named), reverse=True)
    names = [
        f"{title} {percent(share)}"
        for share, title in ((share, fault_title(name, lines_seen(score))) for share, name in others)
        if share >= _SMALL_SHARE and not any(line.startswith(f"{title} ") for line in lines)
    ]
    if names:
        yield from _item(", ".join(names))


def _work(listed: Row | None, standing: Row, card: FaultCard, call: Row | None) -> Iterator[str]:
    if call:
        yield from _text("The safety call above, and nothing else before it is cleared.")
    if listed is None and call:
        return
    if listed is None:
        yield from _text(f"Nothing: the home is not on the list: {standing['reason']}.")
        return
    where = "site visit" if listed["fix_by"] == "visit" else "remote fix: by a setting, from the office"
    yield from _field("Rank", f"{listed['rank']} (expected value {listed['priority']:.0f})")
    yield from _field("By", f"{where}, {listed['minutes_on_site']} min")
    yield from _field("Do", card.action)
    yield from _field("Bring", listed["bring"] or "nothing special")
    yield from _field("Prove", card.prove)
    yield from _field(
        "Energy", f"{listed['kwh_per_day_wrong']:.1f} kWh a day misreported if it is this fault"
    )
    yield from _field("So far", so_far_text(listed))
    yield from _field("Value", _expected_value(listed))
    if listed["desk_change"]:
        yield from _field("Change", listed["desk_change"])
        yield from _field("Wait", listed["desk_proof"])


def _expected_value(listed: Row) -> str:
    """Return the expected value term by term."""
    terms = " - ".join(f"{listed[name]:.0f}" for name in ("value_gain", "value_cost", "value_regret"))
    pays = "" if listed["break_even"] is None else f"; going pays from {percent(listed['break_even'])} on"
    cut = "" if listed["is_above_cut"] else "; below the cut"
    return f"{terms} (gain - cost of going - cost of a no-fault-found visit) = {listed['priority']:.0f}{pays}{cut}"


def _standing(standing: Row) -> Iterator[str]:
    since = f" since {standing['standing_since']}" if standing["standing_since"] else ""
    yield from _text(f"{standing['standing']}{since}: {standing['cause']}")
    if standing["nights_listed"]:
        nights = standing["nights_listed"]
        yield from _text(f"On the list for {nights} night{'s' if nights != 1 else ''}.")
    if standing["first_listed_on"]:
        nights = standing["nights_listed_all"]
        of_all = f"{nights} night{'s' if nights != 1 else ''} in all"
        yield from _text(f"First listed on {standing['first_listed_on']}, {of_all}.")
    if standing["last_visit_on"]:
        yield from _text(f"Last visit on {standing['last_visit_on']}; only data since then speak.")
    if standing["proof"] and standing["proof_told"] not in standing["cause"]:
        yield from _text(f"By the data since the visit: {standing['proof']}. {standing['proof_told']}.")


def _events(events: pl.DataFrame) -> Iterator[str]:
    """Yield one item an event, oldest first, with the day it happened."""
    for row in events.sort("happened_on", "told_on", "what").iter_rows(named=True):
        yield from wrap(
            row["told"], WIDTH, initial_indent=f"  {row['happened_on']}  ", subsequent_indent=" " * 14
        )


def _field(name: str, text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent=f"  {name:<8}", subsequent_indent=" " * 10)


def _item(text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent="  - ", subsequent_indent="    ")


def _text(text: str, indent: str = "  ") -> list[str]:
    return wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent)
