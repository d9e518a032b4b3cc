"""What one home's page says, before any HTML: the work order, the doubts and the pictures."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.core.setting_sections import ReportSettings
from pipeline.report import words
from pipeline.report.figures import day_figures, leg_figures, weight_figure
from pipeline.report.record_first import fault_share
from pipeline.report.report_input import FaultCard, ReportInput
from pipeline.report.series import home_series
from pipeline.report.visits_page import home_events
from pipeline.report.weight_table import weight_table
from pipeline.scoring.innocent import CAUSES


def home_context(
    night: ReportInput,
    row: dict[str, Any],
    score: dict[str, Any],
    site: dict[str, Any],
    frames: dict[str, pl.DataFrame],
    own: ReportSettings,
) -> dict[str, Any]:
    """Return the template values of one home's page.

    `row`, `score` and `site` are its rows of `revisit_list`, `site_scores` and `sites`; `frames` its parts of
    `site_weight`, `site_daily` and `site_hour`.
    """
    series = home_series(frames["site_hour"], frames["site_daily"], site.get("timezone"))
    card = night.faults.get(row["suspected_fault"] or "")
    since = row["since"]
    weights = frames["site_weight"].sort("ordinal")
    by_leg = leg_figures(series, score, since, own)
    return {
        "row": row,
        "score": score,
        "facts": site_facts(site),
        "card": card,
        "suspicion": suspicion(row, night),
        "since": since_words(row),
        "onset_evidence": score["onset_evidence"],
        "notices": notices(score),
        "cautions": [*night.cautions, *(card.cautions if card else ())],
        "others": others(score, row["suspected_fault"], night.faults, own.other_faults),
        "maps": by_leg[:2],
        "against_pv": by_leg[2:],
        "by_day": day_figures(series, score, since, own),
        "events": home_events(night, row["site_id"]),
        "fault_likelihood": fault_share(score, row["suspected_fault"]),
        "why": weight_figure(weights, score["contradiction_probe"]),
        "probes": weight_table(weights, row["suspected_fault"], score["contradiction_probe"], night.faults),
    }


def suspicion(row: dict[str, Any], night: ReportInput) -> str:
    """Return the suspicion in words: the fault and its leg."""
    name, where = words.fault(row["suspected_fault"], night.faults), words.leg(row["leg"])
    return f"{name}, {where}" if where else name


def since_words(row: dict[str, Any]) -> str:
    """Return since when; no date means from the first day of data."""
    return f"since {words.day(row['since'])}" if row["since"] else "from the first day of data"


def site_facts(site: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what the register says that matters at the panel, in words; empty fields are left out."""

    def told(key: str, text: str) -> str | None:
        return None if site.get(key) is None else text.format(site[key])

    def yes_no(key: str) -> str | None:
        return {True: "yes", False: "no"}.get(site.get(key))  # type: ignore[arg-type]

    facts = [
        ("Service", told("service", "{} V") if site.get("service") != "single" else "single leg"),
        ("Service size", told("service_amps", "{:g} A")),
        ("PV", told("pv_kw", "{:g} kW AC")),
        ("CTs", words.plain(site["ct_location"]) if site.get("ct_location") else None),
        ("CT rating", told("ct_amps", "{:g} A")),
        ("CTs a leg", told("cts_per_leg", "{:g}")),
        ("Leads extended", yes_no("lead_extended")),
        ("CTs see PV, as declared", yes_no("ct_sees_pv")),
        ("Source adds production back", yes_no("pv_added_back")),
        ("Battery", yes_no("has_battery")),
        ("EV charger", yes_no("has_ev")),
        ("Installed by", told("crew_id", "{}")),
        ("Commissioned", words.day(site["commissioned_on"]) if site.get("commissioned_on") else None),
    ]
    return [(name, value) for name, value in facts if value is not None]


def notices(score: dict[str, Any]) -> list[tuple[str, str]]:
    """Return (kind, text) of what must be known before anything else: "stop" for safety, "note" for doubt."""
    found = []
    if score["is_neutral_suspect"]:
        found.append(
            (
                "stop",
                "Safety call first: the legs' voltages move apart with load, as with a loose service "
                "neutral. "
                "That is not a CT fault. Pass it on at once to the utility or a licensed electrician.",
            )
        )
    if score["is_clock_suspect"]:
        hours = score["clock_offset_h"]
        by = f" by about {words.number(hours, 1, sign=True)} h" if hours is not None else ""
        found.append(("note", f"The monitor's clock looks off{by}: nights below may not be nights."))
    if score["verdict"] == "unproven" and score["contradiction"]:
        found.append(("note", _record(score)))
    elif score["verdict"] == "unproven":
        found.append(
            (
                "note",
                f"Unproven: {score['unproven_why'] or 'too little to say'}. See what could not tell below.",
            )
        )
    return found


def _record(score: dict[str, Any]) -> str:
    """Return what an unproven home's contradicting number is, what it may be but a fault, and what the office does."""
    told = f"Unproven, but no right install reads so: {score['contradiction']}."
    cause = CAUSES.get(score["record_cause"] or "")
    if cause is None:
        return told
    likely = words.percent(score["record_likelihood"])
    return f"{told} It may be the record: {cause.words}, {likely} likely. First, at the desk: {cause.office}"


def others(score: dict[str, Any], suspected: str | None, cards: Any, longest: int) -> list[dict[str, Any]]:
    """Return the other explanations, likeliest first: name, share (0..1), and what would have happened."""
    shares: dict[str, float | None] = score["fault_likelihoods"] or {}
    rest = [(code, share) for code, share in shares.items() if code != suspected and share is not None]
    rest.sort(key=lambda pair: (-pair[1], pair[0]))
    listed = []
    for code, share in rest[:longest]:
        card: FaultCard | None = cards.get(code)
        listed.append(
            {
                "name": "sound: no CT fault at all" if code == "sound" else words.fault(code, cards),
                "share": share,
                "story": card.story if card else "",
            }
        )
    return listed
