"""What one home's page says, before any HTML: the work order, the doubts and the pictures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.setting_sections import ReportSettings
from pipeline.report import words
from pipeline.report.figures import home_figures, weight_figure
from pipeline.report.record_first import fault_share
from pipeline.report.report_input import FaultCard, ReportInput
from pipeline.report.series import home_series
from pipeline.report.weight_table import weight_table
from pipeline.scoring.innocent import CAUSES
from pipeline.worklist.earlier_visits import EarlierVisits

_NEUTRAL = (
    "Safety call first: the legs' voltages move apart with load, as with a loose service neutral. "
    "That is not a CT fault. Pass it on at once to the utility or a licensed electrician."
)


def home_context(
    night: ReportInput,
    row: dict[str, Any],
    tables: Mapping[str, pl.DataFrame],
    *,
    settings: ReportSettings,
) -> dict[str, Any]:
    """Return the template values of one home's page.

    Parameters
    ----------
    night
        What all pages show.
    row
        The home's row of revisit_list.
    tables
        Its rows of site_scores (one), sites (one or none), site_weight, site_daily and site_hour.
    settings
        [report].
    """
    score = tables["site_scores"].row(0, named=True)
    site = next(tables["sites"].iter_rows(named=True), {})
    series = home_series(tables["site_hour"], tables["site_daily"], site.get("timezone"))
    fault, since, contradicting = row["suspected_fault"], row["since"], score["contradiction_probe"]
    card = night.faults.get(fault or "")
    weights = tables["site_weight"].sort("ordinal")
    events = night.home_story.filter(pl.col("site_id") == row["site_id"])
    return {
        "row": row,
        "score": score,
        "facts": site_facts(site),
        "card": card,
        "suspicion": words.suspicion(fault, row["leg"], night.faults),
        "since": words.since(since),
        "onset_evidence": score["onset_evidence"],
        "notices": notices(score),
        "cautions": [*night.cautions, *(card.cautions if card else ())],
        "others": other_faults(score, fault, night.faults)[: settings.other_faults],
        **home_figures(series, score, since, settings=settings),
        "earlier": night.earlier_visits.get(row["site_id"], EarlierVisits()),
        "events": events.sort("happened_on", "told_on", "what").to_dicts(),
        "fault_likelihood": fault_share(score, fault),
        "why": weight_figure(weights, contradicting),
        "probes": weight_table(weights, fault, contradicting, cards=night.faults),
    }


def site_facts(site: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what the register says that matters at the panel, in words; empty fields are left out."""

    def fill(text: str, column: str) -> str | None:
        return words.fill(text, site.get(column))

    facts = [
        ("Service", fill("{} V", "service") if site.get("service") != "single" else "single leg"),
        ("Service size", fill("{:g} A", "service_amps")),
        ("PV", fill("{:g} kW AC", "pv_kw")),
        ("CTs", words.plain(site["ct_location"]) if site.get("ct_location") else None),
        ("CT rating", fill("{:g} A", "ct_amps")),
        ("CTs a leg", fill("{:g}", "cts_per_leg")),
        ("Leads extended", words.yes_no(site.get("lead_extended"))),
        ("CTs see PV, as declared", words.yes_no(site.get("ct_sees_pv"))),
        ("Source adds production back", words.yes_no(site.get("pv_added_back"))),
        ("Battery", words.yes_no(site.get("has_battery"))),
        ("EV charger", words.yes_no(site.get("has_ev"))),
        ("Installed by", fill("{}", "crew_id")),
        ("Commissioned", words.day(site["commissioned_on"]) if site.get("commissioned_on") else None),
    ]
    return [(name, value) for name, value in facts if value is not None]


def notices(score: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return (kind, text) of what must be known before anything else: "stop" for safety, "note" for doubt."""
    rows = [("stop", _NEUTRAL)] if score["is_neutral_suspect"] else []
    if score["is_clock_suspect"]:
        rows.append(("note", f"{words.clock_off(score['clock_offset_h'])}: nights below may not be nights."))
    if score["verdict"] == "unproven" and score["contradiction"]:
        text = f"Unproven, but no right install reads so: {score['contradiction']}."
        cause = CAUSES.get(score["record_cause"] or "")
        if cause is not None:
            likely = words.percent(score["record_likelihood"])
            text += (
                f" It may be the record: {cause.words}, {likely} likely. First, at the desk: {cause.office}"
            )
        rows.append(("note", text))
    elif score["verdict"] == "unproven":
        why = score["unproven_why"] or "too little to say"
        rows.append(("note", f"Unproven: {why}. See what could not tell below."))
    return rows


def other_faults(
    score: Mapping[str, Any], suspected: str | None, cards: Mapping[str, FaultCard]
) -> list[dict[str, Any]]:
    """Return the other explanations, likeliest first: name, share (0..1), and what would have happened."""
    shares: dict[str, float | None] = score["fault_likelihoods"] or {}
    others = [(code, share) for code, share in shares.items() if code != suspected and share is not None]
    return [
        {
            "name": "sound: no CT fault at all" if code == "sound" else words.fault(code, cards),
            "share": share,
            "story": cards[code].story if code in cards else "",
        }
        for code, share in sorted(others, key=lambda pair: (-pair[1], pair[0]))
    ]
