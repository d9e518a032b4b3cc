"""What the crews' page says in sentences: what it allows to conclude, how sure the numbers are, who changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.binomial_intervals import wilson
from pipeline.core.setting_sections import CrewSettings
from pipeline.crews.crew_quality import BETTER, WORSE
from pipeline.crews.funnel import SEEN
from pipeline.report import words
from pipeline.report.crew_charts import percent_interval

_ALIKE_P = 0.05
_MOST_NAMES = 10
RANDOM_VISITS = 20
NOT_DIFFERENT = "not significantly different"
TERMS = {
    "Fair rate": "the crew's rate on the fleet's average mix of installs (CT location, parallel CTs, extended leads, "
    "service, quarter of commissioning), small-sample adjusted: the fewer installs, the closer to the fleet's rate.",
    "Observed / expected": "the crew's faults divided by those of an average crew on the same installs; 1 is average. "
    "Of many crews some have an interval without 1 by chance: only “against the fleet” says which differ.",
    "Unadjusted rate": "share of the crew's own installs that were wrong from the first day, without these two "
    "adjustments.",
    "Judged install": "its data gave a verdict, or a visit found a fault or none.",
}


def comparison_text(row: Mapping[str, Any], settings: CrewSettings) -> str:
    """Return how a row of crew_quality compares with the fleet; nothing is said of a crew that isn't ranked."""
    if not row["is_ranked"]:
        return f"under {words.count(settings.min_judged, 'judged install')}: not compared"
    limits = f"{control_share(settings)} control limits"
    if row["stands_out"]:
        outside = f" (outside {limits})" if row["is_outside"] else ""
        return f"{row['stands_out']} than the fleet{outside}"
    if row["is_outside"]:
        side = "above" if row["worth_rate"] > row["fleet_rate"] else "below"
        return f"{side} the {limits}, may be chance"
    return NOT_DIFFERENT


def control_share(settings: CrewSettings) -> str:
    """Return how wide the control limits are, "95 %"."""
    return words.percent(1 - settings.limit_alpha)


def control_limits(settings: CrewSettings) -> str:
    """Return what the control limits and the column "detectable from" say."""
    return (
        f"by chance alone a crew with the fleet's own rate is outside them in {words.percent(settings.limit_alpha)} of "
        "cases. Worse or better also allows for how many crews are compared. A crew with the rate under “detectable "
        f"from” would be outside in {words.percent(SEEN)} of cases; a smaller difference usually stays unseen."
    )


def conclusions(quality: pl.DataFrame, fleet: Mapping[str, Any], settings: CrewSettings) -> list[str]:
    """Return what a reader can conclude from the comparison and what not: two sentences."""
    share = percent_interval(fleet["fleet_rate"], fleet["fleet_low"], fleet["fleet_high"])
    first = (
        f"{share} of the {words.count(fleet['heard'], 'install')} with data were wrong from the first day. Faults "
        "that began later do not count against a crew."
    )
    ranked = quality.filter("is_ranked")
    if ranked.is_empty():
        judged = words.count(settings.min_judged, "judged install")
        return [first, f"No crew has {judged} yet, so no crew is compared with another."]
    sides = [
        f"{is_or_are(found.height)} {side} than the fleet ({names_of(found['crew_id'].to_list())})"
        for side in (WORSE, BETTER)
        for found in [ranked.filter(pl.col("stands_out") == side)]
        if found.height
    ]
    rest = ranked["stands_out"].null_count()
    if rest == ranked.height == 1:
        return [first, f"The one ranked crew is {NOT_DIFFERENT} from the fleet."]
    if rest == ranked.height:
        none = f"None of the {words.number(rest)} ranked crews is significantly different from the fleet. Their order"
        return [first, f"{none} may be chance, so do not judge a crew by its rank."]
    if rest:
        sides.append(f"{is_or_are(rest)} {NOT_DIFFERENT} from it")
    second = f"Of {words.count(ranked.height, 'ranked crew')}, {' and '.join(sides)}."
    if rest > 1:
        second += " The order among those may be chance, so do not judge a crew by its rank."
    return [first, second]


def is_or_are(count: int) -> str:
    """Return "1 is" or "3 are"."""
    return f"{words.number(count)} {'is' if count == 1 else 'are'}"


def names_of(crews: Sequence[str]) -> str:
    """Return the crews, of very many the first ones and how many more; "none" without any."""
    more = len(crews) - _MOST_NAMES
    return (", ".join(crews[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")) or "none"


def order_of_rows(quality: pl.DataFrame, settings: CrewSettings) -> str:
    """Return in which order the table's rows stand, and where the crews without a rank are."""
    ranked = int(quality["is_ranked"].sum())
    few = f"fewer than {words.count(settings.min_judged, 'judged install')}"
    unranked = quality.height - ranked
    if not ranked:
        return f"Every crew has {few}, so none has a rank. In brackets: 95 % intervals."
    text = "Ranked crews first, highest fair rate at the top; rank 1 is the lowest rate."
    if unranked:
        stay = "stays" if unranked == 1 else "stay"
        text += f" {words.count(unranked, 'crew')} with {few} {stay} below them, without a rank."
    return f"{text} In brackets: 95 % intervals."


def how_counted(fleet: Mapping[str, Any], settings: CrewSettings) -> list[str]:
    """Return how the rates account for where visits went and for homes nobody inspected, with tonight's numbers."""
    visited, known = fleet["visited"], fleet["visited_with_promise"]
    sentences = [
        f"{words.count(visited, 'install')} of {words.number(fleet['heard'])} with data have been visited. Visits go "
        "where faults are likely, so the share of visits that found one is not a crew's rate. Every install counts "
        "once: a visited one with what the visit found, any other with the likelihood, from its data, that it was "
        "wrong from the first day.",
        f"The list's likelihoods assume that {words.number(fleet['base_rate'] * 100, 1)} % of homes have a fault. "
        "Here that share is estimated from the data of all homes together: "
        f"{percent_interval(fleet['fleet_rate'], fleet['fleet_low'], fleet['fleet_high'])} from the first day. Each "
        "home's likelihood is then recalculated with this rate and its own crew's, so sums on this page differ from "
        "sums of the list's likelihoods.",
    ]
    if fleet["fleet_high"] > max(3 * fleet["fleet_rate"], fleet["fleet_rate"] + 0.05):
        sentences.append(_level_not_known(fleet))
    if fleet["weighted_rate"] is None:
        sentences.append(
            f"Visits with a likelihood on record from before the visit: {words.number(known)}. These are too few to "
            "check the likelihoods, which are used as published; every interval is wider for it."
        )
    else:
        odds_ratio = exp(fleet["offset"])
        word = "understated" if odds_ratio > 1 else "overstated"
        if abs(fleet["offset"]) < fleet["offset_sd"]:
            word = "right within their uncertainty"
        sentences.append(
            f"{words.count(known, 'visit')} with a likelihood on record from the night before check the likelihoods. "
            "Each is weighted by 1 / probability of a visit to such a home (at most "
            f"{settings.most_weight:g} times the smallest weight), so that they represent homes nobody visited. By "
            f"them the likelihoods are {word} (odds times {odds_ratio:.2f}), and this is corrected here. As an "
            "independent check, weighted visits and likelihoods together give a fleet rate of "
            f"{percent_interval(fleet['weighted_rate'], fleet['weighted_low'], fleet['weighted_high'])}."
        )
    if visited > known:
        sentences.append(
            f"{words.count(visited - known, 'visit')} without a likelihood on record count with what they found."
        )
    return sentences


def _level_not_known(fleet: Mapping[str, Any]) -> str:
    """Return that the rate is uncertain, and what twenty visits to homes drawn at random would make of it."""
    faults = round(RANDOM_VISITS * fleet["fleet_rate"])
    low, high = wilson(np.array([float(faults)]), np.array([float(RANDOM_VISITS)]))
    return (
        "How many installs of this fleet are wrong is still uncertain: from likelihoods alone, between "
        f"{words.percent(fleet['fleet_low'])} and {words.percent(fleet['fleet_high'])}. {RANDOM_VISITS} visits to "
        f"homes drawn at random would narrow this: if {words.count(faults, 'visit')} found a fault, as expected, to "
        f"between {words.percent(float(low[0]))} and {words.percent(float(high[0]))}."
    )


def dispersion(fleet: Mapping[str, Any]) -> str:
    """Return whether crews differ by more than chance."""
    crews = fleet["crews_compared"]
    if crews < 3:
        return "Fewer than three crews have enough judged installs to test whether crews differ by more than chance."
    is_alike = fleet["phi_p_value"] >= _ALIKE_P
    p_value = f"{fleet['phi_p_value']:.2f}" if is_alike else _small(fleet["phi_p_value"])
    text = (
        f"The {words.count(crews, 'crew')} together {'do not differ' if is_alike else 'differ'} by more than chance: "
        f"squared distances from the fleet's rate are {fleet['phi']:.2f} times those of chance (winsorised, p "
        f"{p_value})."
    )
    if is_alike:
        return text
    return f"{text} Causes that no register records may be part of it; the limits are not widened for them."


def _small(p_value: float) -> str:
    return "under 0.001" if p_value < 0.001 else f"{p_value:.3f}"


def change_lines(change: pl.DataFrame, names: Mapping[str, str], settings: CrewSettings) -> list[str]:
    """Return a sentence a change, or one that there is none."""
    if change.is_empty():
        return [
            f"No crew with at least {2 * settings.min_judged} installs has a significant change over time beyond the "
            "fleet's own."
        ]
    return [
        f"{names.get(row['crew_id'], row['crew_id'])} went from {_rate(row['rate_before'])} of "
        f"{words.count(row['installs_before'], 'install')} to {_rate(row['rate_after'])} of "
        f"{words.count(row['installs_after'], 'install')} around {words.day(row['changed_on'])}, beyond the fleet's "
        f"own change (p {_small(row['p_value'])}; significant with all crews tested)."
        for row in change.iter_rows(named=True)
    ]


def training_line(row: Mapping[str, Any]) -> str:
    """Return how the rates moved: "The crew went from 8.0 % to 3.0 %; other crews from 5.0 % to 5.0 %."."""
    if row["rate_before"] is None or row["others_before"] is None:
        return words.NOTHING
    crew, others = (
        f"{_rate(row[f'{who}_before'])} to {_rate(row[f'{who}_after'])}" for who in ("rate", "others")
    )
    return f"The crew went from {crew}; other crews from {others}."


def detectable(row: Mapping[str, Any]) -> str:
    """Return from how many times the fleet's rate on a ranked crew would mostly lie outside the control limits."""
    if not row["is_ranked"] or row["seen_from"] is None:
        return words.NOTHING
    return f"{words.number(row['seen_from'], 1)}\u00a0× the fleet"


def _rate(share: float) -> str:
    return f"{words.number(share * 100, 1)} %"
