"""What a safety call's page says: whom to call, what not to touch, what was measured, what it may be."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.setting_sections import VerdictSettings
from pipeline.report import safety_words, words
from pipeline.report.figures import Figure
from pipeline.report.home_page import site_facts
from pipeline.report.names import page_name
from pipeline.report.report_input import ReportInput
from pipeline.report.voltage_chart import voltage_picture
from pipeline.worklist.safety_call_text import RIGHT

FOLDER = "safety"


def safety_page_of(site_id: str) -> str:
    """Return where a home's safety page is, from the report's folder."""
    return f"{FOLDER}/{page_name(site_id)}"


def safety_context(
    night: ReportInput,
    call: Mapping[str, Any],
    tables: Mapping[str, pl.DataFrame],
    *,
    settings: VerdictSettings,
) -> dict[str, Any]:
    """Return the template values of the page of one open call.

    Parameters
    ----------
    night
        What all pages show.
    call
        The home's row of safety_call.
    tables
        Its rows of site_scores, sites, revisit_list (none or one each), safety_day and home_story.
    settings
        [verdict].
    """
    score = next(tables["site_scores"].iter_rows(named=True), None)
    site = next(tables["sites"].iter_rows(named=True), {})
    listed = next(tables["revisit_list"].iter_rows(named=True), None)
    return {
        "call": call,
        "words": safety_words,
        "score": score,
        "ct_verdict": score["ct_verdict"] if score else None,
        "listed": listed,
        "facts": site_facts(site),
        "measured": measured_rows(call, site.get("service"), settings),
        "picture": _figure(tables["safety_day"], settings),
        "events": tables["home_story"].sort("happened_on", "told_on", "what").to_dicts(),
    }


def measured_rows(
    call: Mapping[str, Any], service: str | None, settings: VerdictSettings
) -> list[tuple[str, str, str]]:
    """Return (what, measured, right) of the last night that showed it; none for a call that only the record knows."""
    if call["v_per_kw"] is None:
        return []
    from_v = f"{settings.neutral_v_per_kw:g}"
    moved = [
        (
            f"V1 − V2 for each kW of {leg.upper()} as read",
            f"{words.slope(call[f'v_per_kw_{leg}'], call[f'v_per_kw_{leg}_se'])} V",
            f"{sign}, {RIGHT}",
        )
        for leg, sign in (("l1", "minus"), ("l2", "plus"))
    ]
    ohm = safety_words.path_ohm(call["v_per_kw"], service)
    return [
        *moved,
        (
            "V1 − V2 for each kW that flows, less of both legs",
            f"{words.slope(call['v_per_kw'], call['v_per_kw_se'])} V",
            f"under {from_v} V",
        ),
        (
            "As a resistance, of one leg and twice the neutral",
            f"about {ohm:.2f} Ω",
            f"under {safety_words.path_ohm(settings.neutral_v_per_kw, service):.2f} Ω",
        ),
        ("Data", f"{words.count(call['nights'] or 0, 'night')}, {call['data_from']} to {call['shown_on']}", "–"),
    ]  # fmt: skip


def _figure(days: pl.DataFrame, settings: VerdictSettings) -> Figure:
    """Return the picture by day; its caption carries the numbers."""
    from_v = f"{settings.neutral_v_per_kw:g} V per kW"
    caption = ""
    if days.height:
        low, high = (
            pl.concat([-days["v_per_kw_l1"], days["v_per_kw_l2"]]).quantile(share) or 0.0
            for share in (0.0, 1.0)
        )
        caption = (
            f"V1 − V2, fitted to the changes of both legs' load, {words.count(days.height, 'day')} one by one: it "
            f"moves by {low:.2f} to {high:.2f} V for each kW (bars: 95 % interval of a day). Right is {RIGHT} (grey); "
            f"a loose neutral is suspected from {from_v} (dashed)."
        )
    return Figure(
        "volts",
        "How far the voltages move apart",
        voltage_picture(days, settings.neutral_v_per_kw),
        "No day in the window tells.",
        caption,
    )
