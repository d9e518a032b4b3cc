"""One home in plain text: what is suspected, why, what else it could be, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from textwrap import wrap
from typing import Any

import polars as pl

from pipeline.commands.explain_safety import safety_lines
from pipeline.core.contract import SAFETY, SOUND
from pipeline.core.percent_text import percent
from pipeline.faults.fault_text import fault_title
from pipeline.faults.types import CAUTIONS
from pipeline.report import words
from pipeline.report.report_input import FaultCard
from pipeline.scoring.innocent import CAUSES
from pipeline.scoring.sentences import SMALL_WEIGHT, odds_words

Row = Mapping[str, Any]
WIDTH = 100
_LEGS = {"l1": "on L1", "l2": "on L2", "both": "on both legs"}
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
        The likeliest fault in words.
    events
        Its rows of `home_story`.
    call
        Its row of `safety_call` if that is open.
    """
    safety = safety_lines(call) if call else ()
    sections = [
        ("SAFETY CALL FIRST", (line for label, text in safety for line in _field(label, text))),
        ("Before anything else", _cautions(score, listed, card)),
        ("Suspected", _suspicion(score, listed, standing, card)),
        ("Why", _weights(weights, score["contradiction_probe"])),
        ("What else it could be", _others(score, listed)),
        ("What to do", _work(listed, standing, card, call)),
        ("Standing", _standing(standing)),
        ("What happened", _events(events)),
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
    likely = f"{percent(score['likelihood'])} likely to have a CT install fault now"
    told = f"{likely}: {score['verdict']}."
    if score["verdict"] == SAFETY:
        told = f"SAFETY CALL: a suspected loose service neutral. Its CTs: {likely}, {score['ct_verdict']}."
    return "\n".join([*_text(first, ""), *_text(told, "")])


def _cautions(score: Row, listed: Row | None, card: FaultCard) -> Iterator[str]:
    """Yield what must be known first: doubts, and on a visit every caution."""
    if score["is_clock_suspect"]:
        off = score["clock_offset_h"]
        by = f" by about {off:+.1f} h" if off is not None else ""
        yield from _item(f"The monitor's clock looks off{by}: what is called night may not be night.")
    if listed is not None and listed["fix_by"] == "visit":
        for caution in (*CAUTIONS, *card.cautions):
            yield from _item(caution)


def _suspicion(score: Row, listed: Row | None, standing: Row, card: FaultCard) -> Iterator[str]:
    if score["unproven_why"] and score["contradiction"]:
        yield from _contradicted(score)
        yield from _text(f"If it is a fault: {_named(score, listed, card)}")
    elif listed is None and score["suspected_fault"] is None:
        reason = "no CT fault; the safety call stands" if score["verdict"] == SAFETY else standing["reason"]
        yield from _text(f"Nothing: {reason}.")
    else:
        yield from _text(_named(score, listed, card))
    if score["onset_evidence"]:
        yield from _text(f"It changed on {score['onset_on']}: {score['onset_evidence']}.")
    if score["unproven_why"] and not score["contradiction"]:
        yield from _text(f"Unproven: {score['unproven_why']}; see what could not tell.")
    yield from _text(f"In short: {score['evidence']}.")


def _named(score: Row, listed: Row | None, card: FaultCard) -> str:
    """Return the fault, its leg, how likely it is and any is, since when, and what happens there."""
    leg = listed["leg"] if listed else score["leg"]
    where = f" {_LEGS[leg]}" if leg in _LEGS else ""
    since = f"since {score['onset_on']}" if score["onset_on"] else "from the first day of data"
    likely = words.likelihoods(score["fault_likelihoods"].get(score["likely_fault"]), score["likelihood"])
    return f"{_plain(card.name)}{where}, {since} ({likely}). {card.story}"


def _contradicted(score: Row) -> Iterator[str]:
    """Yield the number that no right install shows, then what it may be but a fault, and what the office does."""
    yield from _text(f"Unproven, but no right install reads so: {score['contradiction']}.")
    if cause := CAUSES.get(score["record_cause"] or ""):
        likely = f"{cause.words}, {percent(score['record_likelihood'])} likely"
        yield from _text(f"It may be the record: {likely}.")
        yield from _text(f"First, at the desk: {cause.office}")


def _weights(weights: pl.DataFrame, contradicting: str | None) -> Iterator[str]:
    """Yield prior + weights = score, one line a probe, strongest first; what says little or can't as one sum."""
    if weights.is_empty():
        yield from _text("No data in the window, so nothing but the share of homes with a fault is known.")
        return
    small: list[float] = []
    for row in weights.sort("ordinal").iter_rows(named=True):
        is_small = abs(row["weight"]) < SMALL_WEIGHT or row["state"] == "cannot tell"
        if is_small and row["probe"] not in ("prior", contradicting):
            small.append(row["weight"])
            continue
        yield from _weighed(row["weight"], f"{row['label']}: {row['sentence']} ({row['strength']})")
    if small:
        yield from _weighed(sum(small), f"the rest, which says little or could not tell ({len(small)})")
    total = float(weights["weight"].sum())
    yield f"  {'-' * 6}"
    odds = odds_words(total, "a fault", "a sound install")
    yield from _weighed(total, f"score, log odds of any fault against a sound install: {odds}")
    silent = weights.filter(pl.col("state") == "cannot tell")["label"].to_list()
    if silent:
        yield from _text(f"Could not tell: {'; '.join(silent)}.")


def _others(score: Row, listed: Row | None) -> Iterator[str]:
    shares: Mapping[str, float | None] = score["fault_likelihoods"]
    named = listed["suspected_fault"] if listed else score["suspected_fault"] or SOUND
    lines = listed["also_possible"].split(" | ") if listed and listed["also_possible"] else []
    for line in lines:
        yield from _item(line)
    others = sorted(((share or 0.0, name) for name, share in shares.items() if name != named), reverse=True)
    names = [
        f"{_plain(name)} {percent(share)}"
        for share, name in others
        if share >= _SMALL_SHARE and not any(line.startswith(f"{_plain(name)} ") for line in lines)
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
    where = "visit" if listed["fix_by"] == "visit" else "office, no visit needed"
    yield from _field("Rank", f"{listed['rank']} (priority {listed['priority']:.0f})")
    yield from _field("By", f"{where}, {listed['minutes_on_site']} min")
    yield from _field("Do", card.action)
    yield from _field("Bring", listed["bring"] or "nothing special")
    yield from _field("Prove", card.prove)
    so_far = f"{listed['kwh_so_far']:.0f} kWh in {listed['days_so_far']} days so far"
    yield from _field(
        "Energy", f"{listed['kwh_per_day_wrong']:.1f} kWh a day misreported if it is so, {so_far}"
    )
    yield from _field("Worth", _worth(listed))
    if listed["desk_change"]:
        yield from _field("Desk", listed["desk_change"])
        yield from _field("Wait", listed["desk_proof"])


def _worth(listed: Row) -> str:
    """Return the expected value term by term."""
    terms = " - ".join(f"{listed[name]:.0f}" for name in ("value_gain", "value_cost", "value_regret"))
    pays = "" if listed["break_even"] is None else f"; going pays from {percent(listed['break_even'])} on"
    cut = "" if listed["is_above_cut"] else "; below the cut"
    return f"{terms} (gain - cost of going - regret if needless) = {listed['priority']:.0f}{pays}{cut}"


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


def _weighed(weight: float, text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent=f"  {weight:+6.2f}  ", subsequent_indent=" " * 10)


def _field(name: str, text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent=f"  {name:<8}", subsequent_indent=" " * 10)


def _item(text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent="  - ", subsequent_indent="    ")


def _text(text: str, indent: str = "  ") -> list[str]:
    return wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


def _plain(name: str) -> str:
    return fault_title(name)
