"""What a safety call's page says: whom to call, what not to touch, what was measured, what it may be."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.line_columns import PAIRS
from pipeline.core.line_words import line_count_of
from pipeline.core.setting_sections import VerdictSettings
from pipeline.report import safety_words, words
from pipeline.report.figures import Figure
from pipeline.report.home_page import site_facts
from pipeline.report.names import page_name
from pipeline.report.report_input import ReportInput
from pipeline.report.voltage_chart import voltage_picture
from pipeline.worklist.safety_call_text import RIGHT, RIGHT_OF_THREE, limit_of

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
        "lines": line_count_of(site.get("service")),
        "score": score,
        "ct_verdict": score["ct_verdict"] if score else None,
        "listed": listed,
        "facts": site_facts(site),
        "measured": measured_rows(call, site.get("service"), settings),
        "picture": _figure(
            tables["safety_day"], line_count_of(site.get("service")), limit_of(call, settings)
        ),
        "events": tables["home_story"].sort("happened_on", "told_on", "what").to_dicts(),
    }


def measured_rows(
    call: Mapping[str, Any], service: str | None, settings: VerdictSettings
) -> list[tuple[str, str, str]]:
    """Return (what, measured, right) of the last night that showed it; none for a call that only the record knows."""
    if call["v_per_kw"] is None:
        return []
    limit_v = limit_of(call, settings)
    right = RIGHT if call.get("v_per_kw_l1_23") is None else RIGHT_OF_THREE
    moved = [
        (
            f"V{first[1]} − V{second[1]} for each kW of {line.upper()} as read",
            f"{words.slope(call[f'v_per_kw_{end}{pair}'], call[f'v_per_kw_{end}_se{pair}'])} V",
            f"{sign}, {right}",
        )
        for pair, (first, second) in PAIRS.items()
        if call.get(f"v_per_kw_l1{pair}") is not None
        for end, line, sign in (("l1", first, "minus"), ("l2", second, "plus"))
    ]
    between = "V1 − V2" if len(moved) == 2 else "Between two lines"
    of_both = "both legs" if len(moved) == 2 else "their two loads"
    ohm = safety_words.path_ohm(call["v_per_kw"], service)
    return [
        *moved,
        (
            f"{between} for each kW that flows, less of {of_both}",
            f"{words.slope(call['v_per_kw'], call['v_per_kw_se'])} V",
            f"under {limit_v:.2g} V",
        ),
        (
            f"As a resistance, {safety_words.path_text(service)}",
            f"about {ohm:.2f} Ω",
            f"under {safety_words.path_ohm(limit_v, service):.2f} Ω",
        ),
        ("Data", f"{words.count(call['nights'] or 0, 'night')}, {call['data_from']} to {call['shown_on']}", "–"),
    ]  # fmt: skip


def _figure(days: pl.DataFrame, line_count: int, limit_v_per_kw: float) -> Figure:
    """Return the picture by day; its caption carries the numbers."""
    right = RIGHT_OF_THREE if line_count == 3 else RIGHT
    caption = ""
    if days.height:
        low, high = (
            pl.concat([-days["v_per_kw_l1"], days["v_per_kw_l2"]]).quantile(share) or 0.0
            for share in (0.0, 1.0)
        )
        loads = "both legs' load" if line_count == 2 else "the load on L1 and L2"
        caption = (
            f"V1 − V2, fitted to the changes of {loads}, {words.count(days.height, 'day')} one by one: it "
            f"moves by {low:.2f} to {high:.2f} V for each kW (bars: 95 % interval of a day). Right is {right} (grey); "
            f"a loose neutral is suspected from {limit_v_per_kw:.2g} V per kW (dashed)."
        )
    return Figure(
        "volts",
        "How far the voltages move apart",
        voltage_picture(days, limit_v_per_kw, line_count),
        "No day in the window tells.",
        caption,
    )
