"""What one home's page says, before any HTML: the suspicion, the checks that decide, the pictures, what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.core.contract import SAFETY
from pipeline.core.glossary import LOCATIONS, POSITIONS, PV_ON, SERVICES
from pipeline.core.line_columns import PAIRS
from pipeline.core.line_words import line_count_of, line_words
from pipeline.core.services import lines_of
from pipeline.core.setting_sections import ReportSettings
from pipeline.report import safety_words, words
from pipeline.report.fault_cards import cards_for
from pipeline.report.figures import Figure, home_figures, pair_id, weight_figure
from pipeline.report.home_lines import home_lines
from pipeline.report.report_input import FaultCard, ReportInput
from pipeline.report.series import home_series
from pipeline.report.weight_table import home_checks, weight_sum
from pipeline.report.wiring_panel import wiring_panel
from pipeline.scoring.innocent import CAUSES
from pipeline.worklist.earlier_visits import EarlierVisits
from pipeline.worklist.energy_so_far_text import so_far_text

CONVINCING = 2
# Kind of picture (`faults.types.PictureName`) -> the figure that shows it, a line.
_FIGURES = {
    "leg_against_pv": "pv-{}", "daily_slopes": "slopes", "night_levels": "nights", "night_floors": "nights",
    "day_profile": "map-{}", "zero_shares": "map-{}",
}  # fmt: skip
_OF_PAIRS = "leg_against_leg"
_OF_PV = ("leg_against_pv", "daily_slopes")


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
    lines = home_lines(score, site.get("service"), series)
    fault, since, contradicting = row["suspected_fault"], row["since"], score["contradiction_probe"]
    cards = cards_for(night.faults, len(lines))
    card = cards.get(fault or "")
    weights = tables["site_weight"].sort("ordinal")
    events = night.home_story.filter(pl.col("site_id") == row["site_id"])
    figures = home_figures(series, score, since, lines=lines, settings=settings)
    at_loads = score["slope_expected"] == 0 and not (card and card.is_record_error)
    wanted = lines_of(row["leg"], len(lines))
    convincing = convincing_figures(figures, card.pictures if card else (), wanted, at_loads=at_loads)
    return {
        "row": row,
        "score": score,
        "facts": site_facts(site),
        "wirings": wiring_panel(night.wiring, row["site_id"]),
        "card": card,
        "suspicion": words.suspicion(fault, row["leg"], cards, line_count=len(lines)),
        "since": words.since(since),
        "so_far": so_far_text(row),
        "onset_evidence": score["onset_evidence"],
        "is_scored_since": since is not None and (score["from_on"] or since) >= since,
        "notices": notices(score, len(lines)),
        "cautions": [
            *map(line_words(len(lines)).retell, night.cautions),
            *(card.cautions if card else ()),
        ],
        "others": other_faults(score, fault, cards)[: settings.other_faults],
        "convincing": convincing,
        "pictures": [figure for figure in figures if figure not in convincing],
        "earlier": night.earlier_visits.get(row["site_id"], EarlierVisits()),
        "events": events.sort("happened_on", "told_on", "what").to_dicts(),
        "checks": home_checks(weights, contradicting),
        "why": weight_figure(weights, contradicting),
        "weights": weight_sum(weights, fault, cards),
    }


def convincing_figures(
    figures: Sequence[Figure], kinds: Sequence[str], lines: Sequence[str], *, at_loads: bool
) -> list[Figure]:
    """Return the two figures that show the suspected fault best, among those with something to draw if there are two.

    Parameters
    ----------
    figures
        The home's.
    kinds
        Kinds of pictures that show the fault, the best first.
    lines
        Those that the fault is on (l1, ...); figures of them come before those of others.
    at_loads
        The CTs are around the loads only, where PV moves nothing: figures of PV come last.
    """
    kinds = [*kinds, *(kind for kind in _FIGURES if kind not in kinds)]
    if at_loads:
        kinds.sort(key=lambda kind: kind in _OF_PV)
    names = [name for kind in kinds for name in _figure_ids(kind, lines or ("l1",))]
    order = [*dict.fromkeys([*names, *(figure.id for figure in figures)])]
    ranked = sorted(figures, key=lambda figure: (figure.spec is None, order.index(figure.id)))
    return ranked[:CONVINCING]


def _figure_ids(kind: str, lines: Sequence[str]) -> list[str]:
    """Return the figures that may show a kind of picture for a fault on these lines."""
    if kind == _OF_PAIRS:
        return [pair_id(pair) for pair in PAIRS.values() if set(pair) <= set(lines)] or [
            pair_id(pair) for pair in PAIRS.values() if set(pair) & set(lines)
        ]
    return [_FIGURES[kind].format(line) for line in lines] if kind in _FIGURES else []


def site_facts(site: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what the site record says that matters at the panel, in words; empty fields are left out."""

    def fill(text: str, column: str) -> str | None:
        return words.fill(text, site.get(column))

    one = line_words(line_count_of(site.get("service"))).one
    upstream, added_back = site.get("ct_sees_pv"), site.get("pv_added_back")
    position = None if upstream is None else POSITIONS[upstream]
    facts = [
        ("Service", SERVICES.get(site.get("service") or "", site.get("service"))),
        ("Service size", fill("{:g} A", "service_amps")),
        ("PV", fill("{:g} kW AC", "pv_kw")),
        ("Production feeds", PV_ON.get(site.get("pv_on") or "")),
        ("CTs at", LOCATIONS.get(site.get("ct_location") or "", site.get("ct_location"))),
        ("CT location", words.fill("{} (recorded)", position)),
        ("CT rating", fill("{:g} A", "ct_amps")),
        (f"CTs per {one}", fill("{:g}", "cts_per_leg")),
        ("Channels", "one, the sum of all lines" if site.get("lines_summed") else None),
        ("Leads extended", words.yes_no(site.get("lead_extended"))),
        ("PV added back", None if added_back is None else "yes, by the source" if added_back else "no"),
        ("Battery", words.yes_no(site.get("has_battery"))),
        ("EV charger", words.yes_no(site.get("has_ev"))),
        ("Installed by", fill("{}", "crew_id")),
        ("Commissioned", words.day(site["commissioned_on"]) if site.get("commissioned_on") else None),
    ]
    return [(name, value) for name, value in facts if value is not None]


def notices(score: Mapping[str, Any], line_count: int | None = None) -> list[tuple[str, str]]:
    """Return (kind, text) of what must be known before anything else: "stop" for safety, "note" for doubt."""
    summary = safety_words.summary(line_count or score.get("line_count"))
    rows = [("stop", f"Safety call first. {summary}")] if score["verdict"] == SAFETY else []
    if score["is_clock_suspect"]:
        rows.append(("note", f"{words.clock_off(score['clock_offset_h'])}: nights below may not be nights."))
    if score["unproven_why"] and score["contradiction"]:
        text = f"Unproven, but no right install shows this: {score['contradiction']}."
        cause = CAUSES.get(score["record_cause"] or "")
        if cause is not None:
            likely = words.percent(score["record_likelihood"])
            text += (
                f" It may be the site record: {cause.words}, {likely} likely."
                f" First, from the office: {cause.office}"
            )
        rows.append(("note", text))
    elif score["unproven_why"]:
        text = f"Unproven: {score['unproven_why']}. See the checks with too little data below."
        rows.append(("note", text))
    return rows


def other_faults(
    score: Mapping[str, Any], suspected: str | None, cards: Mapping[str, FaultCard]
) -> list[dict[str, Any]]:
    """Return the other explanations, likeliest first: name, share (0..1), and what would have happened."""
    shares: dict[str, float | None] = score["fault_likelihoods"] or {}
    others = [(code, share) for code, share in shares.items() if code != suspected and share is not None]
    return [
        {
            "name": words.fault(code, cards),
            "share": share,
            "story": cards[code].story if code in cards else "",
        }
        for code, share in sorted(others, key=lambda pair: (-pair[1], pair[0]))
    ]
