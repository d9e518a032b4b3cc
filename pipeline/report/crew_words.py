"""What the crews' page says in sentences: how sure the numbers are, whether crews differ, who changed."""

from __future__ import annotations

from collections.abc import Mapping
from math import exp
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.binomial_intervals import wilson
from pipeline.core.setting_sections import CrewSettings
from pipeline.report import words
from pipeline.report.crew_charts import percent_interval

_ALIKE_P = 0.05
RANDOM_VISITS = 20


def how_counted(fleet: Mapping[str, Any], settings: CrewSettings) -> list[str]:
    """Return how the rates account for where visits went and for what nobody inspected, with tonight's numbers."""
    visited, known = fleet["visited"], fleet["visited_with_promise"]
    sentences = [
        f"{words.count(visited, 'install')} of {words.number(fleet['heard'])} with data have been visited. The list "
        "sends visits where faults are likely, so the share of visits that found one is not a crew's rate. Every "
        "install counts once: with what the visit found, or, where nobody went, with how likely its data make a fault "
        "at commissioning, given how often its own crew errs.",
        f"The list's likelihoods are worked out for a fleet in which {words.number(fleet['base_rate'] * 100, 1)} % of "
        "homes have a fault. Here the share is what all homes' data together make likeliest, "
        f"{percent_interval(fleet['fleet_rate'], fleet['fleet_low'], fleet['fleet_high'])} from the first day, and "
        "each home's chance is worked out with that and its own crew's: their sum is not that of the list's "
        "likelihoods.",
    ]
    if fleet["fleet_high"] > max(3 * fleet["fleet_rate"], fleet["fleet_rate"] + 0.05):
        sentences.append(_level_not_known(fleet))
    if fleet["weighted_rate"] is None:
        sentences.append(
            f"For {words.count(known, 'visit')} the list's likelihood before the visit is on record: too few to check "
            "the likelihoods by. They are taken as published, and every interval is wider for it."
        )
    else:
        odds_ratio = exp(fleet["offset"])
        word = "understated" if odds_ratio > 1 else "overstated"
        if abs(fleet["offset"]) < fleet["offset_sd"]:
            word = "as published"
        sentences.append(
            f"{words.count(known, 'visit')} with the likelihood of the night before on record check the likelihoods. "
            "Each counts by how unlikely a visit to such a home was (1 / probability of a visit, "
            f"at most {settings.most_weight:g} times the least), so that they speak for the homes nobody went to. They "
            f"find the likelihoods {word}: odds times {odds_ratio:.2f}, and that is put right here. Independently, "
            "visits weighted by their probability and likelihoods together give the fleet "
            f"{percent_interval(fleet['weighted_rate'], fleet['weighted_low'], fleet['weighted_high'])}."
        )
    if visited > known:
        sentences.append(
            f"{words.count(visited - known, 'visit')} with no likelihood on record count with what they found."
        )
    return sentences


def _level_not_known(fleet: Mapping[str, Any]) -> str:
    """Return that the rate isn't known yet, and what twenty visits to homes drawn at random would make of it."""
    faults = round(RANDOM_VISITS * fleet["fleet_rate"])
    low, high = wilson(np.array([float(faults)]), np.array([float(RANDOM_VISITS)]))
    return (
        "How many installs of this fleet are wrong is not known yet: the likelihoods alone leave it between "
        f"{words.percent(fleet['fleet_low'])} and {words.percent(fleet['fleet_high'])}. {RANDOM_VISITS} visits to "
        f"homes drawn at random would make it known: if {words.count(faults, 'visit')} found a fault, as expected, it "
        f"would lie between {words.percent(float(low[0]))} and {words.percent(float(high[0]))}."
    )


def dispersion(fleet: Mapping[str, Any]) -> str:
    """Return whether crews differ more than by luck."""
    if fleet["crews_compared"] < 3:
        return "Fewer than three crews have enough judged installs to tell whether they differ more than by luck."
    base = (
        f"Over {words.count(fleet['crews_compared'], 'crew')} the squares of the distances are "
        f"{fleet['phi']:.2f} times what luck gives (winsorised"
    )
    if fleet["phi_p_value"] >= _ALIKE_P:
        return f"{base}, p {fleet['phi_p_value']:.2f}): not clearly more than luck alone."
    return (
        f"{base}, p {_small(fleet['phi_p_value'])}): crews differ by more than luck. Limits are not widened for "
        "it: the difference is what is looked for, but causes that no register knows may be part of it."
    )


def _small(p_value: float) -> str:
    return "under 0.001" if p_value < 0.001 else f"{p_value:.3f}"


def change_lines(change: pl.DataFrame, names: Mapping[str, str], settings: CrewSettings) -> list[str]:
    """Return a sentence a change, or one that there is none."""
    if change.is_empty():
        return [
            f"No crew with at least {2 * settings.min_judged} installs changed over time by more than the order of its "
            "installs would by chance."
        ]
    return [
        f"{names.get(row['crew_id'], row['crew_id'])} changed around {words.day(row['changed_on'])}: from "
        f"{words.number(row['rate_before'] * 100, 1)} % of {row['installs_before']} installs to "
        f"{words.number(row['rate_after'] * 100, 1)} % of {row['installs_after']} "
        f"(p {_small(row['p_value'])} for the order of this crew's installs, crews allowed for)."
        for row in change.iter_rows(named=True)
    ]
