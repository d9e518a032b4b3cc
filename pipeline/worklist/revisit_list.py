"""The ranked list of homes to visit or to fix remotely: what, where, with what, in which order.

Homes above the cut come first: those where going has a positive expected value (`priority`, see expected_value.py).
Suspects come before unproven homes, then the order is by `priority`, equal ones by site_id (`listing.list_order`).
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.line_words import LineWords, line_words, lines_seen
from pipeline.core.percent_text import percent
from pipeline.core.setting_sections import OrderSettings, RankingSettings
from pipeline.faults.fault_text import fault_title, spell_faults
from pipeline.faults.kit import kit_text, order_kit
from pipeline.faults.types import Fault
from pipeline.worklist.fault_likelihood import fault_likelihood
from pipeline.worklist.listing import list_order

SCHEMA = pl.Schema(
    {
        "rank": pl.Int64, "site_id": pl.String, "area": pl.String, "likelihood": pl.Float64,
        "suspected_fault": pl.String, "leg": pl.String, "since": pl.Date, "evidence": pl.String,
        "fix_by": pl.String, "bring": pl.String, "minutes_on_site": pl.Int64, "kwh_per_day_wrong": pl.Float64,
        "priority": pl.Float64, "nights_listed": pl.Int64, "standing": pl.String, "verdict": pl.String,
        "also_possible": pl.String, "crew_id": pl.String, "value_gain": pl.Float64, "value_cost": pl.Float64,
        "value_regret": pl.Float64, "break_even": pl.Float64, "chance_fixed": pl.Float64,
        "drive_min": pl.Float64, "energy_from": pl.String, "days_so_far": pl.Int64, "kwh_so_far": pl.Float64,
        "is_above_cut": pl.Boolean, "kwh_so_far_low": pl.Float64, "kwh_so_far_high": pl.Float64,
        "kwh_read_so_far": pl.Float64, "so_far_from": pl.Date, "so_far_to": pl.Date, "fault_likelihood": pl.Float64,
        "line_count": pl.Int64,
    }
)  # fmt: skip
# Of the register, what says which parts to bring.
_PARTS = ("ct_amps", "cts_per_leg", "lead_extended", "service")


def revisit_list(
    scores: pl.DataFrame,
    worth: pl.DataFrame,
    sites: pl.DataFrame,
    *,
    standing: pl.DataFrame,
    catalogue: Mapping[str, Fault],
    ranking: RankingSettings,
    orders: OrderSettings,
) -> pl.DataFrame:
    """Return table revisit_list (SCHEMA), `rank` from 1: the homes that are listed by `standing`.

    Parameters
    ----------
    scores
        `site_scores`: site_id, area, crew_id, fault_likelihoods, onset_on, evidence.
    worth
        `expected_value.worth` of the same scores: what going to each home is worth, term by term.
    sites
        The register, for the parts to bring.
    standing
        Tonight's standings (`next_standing`): who is listed, and for how many nights.
    catalogue
        The faults by name, for what to bring and how to tell them on site.
    ranking, orders
        Sections [ranking] and [orders].

    Notes
    -----
    `suspected_fault` is the home's likeliest fault and `fault_likelihood` its own likelihood, `likelihood` that of any
    fault; `since` is null for one from the first day on. `bring` is `kit_text` of the home's kit. `also_possible` names
    the other faults from [ranking].also_from on with their
    likelihood and how to tell them on site, null where there is none. `line_count` is how many lines the home has.
    """
    ranked = (
        scores.select(
            "site_id",
            "area",
            "crew_id",
            "fault_likelihoods",
            "onset_on",
            "evidence",
            *(["line_count"] if "line_count" in scores.columns else []),
        )
        .join(standing.filter("is_listed").select("site_id", "standing", "nights_listed"), on="site_id")
        .join(worth, on="site_id")
        .join(sites.select("site_id", *_PARTS), on="site_id", how="left")
        .with_columns(
            fault_likelihood(pl.col("fault"), scores["fault_likelihoods"].struct.fields),
            is_above_cut=pl.col("priority") > 0,
        )
        .sort(list_order())
        .with_row_index("rank", offset=1)
    )
    bring, possible, counts = [], [], []
    for row in ranked.iter_rows(named=True):
        counts.append(lines_seen(row))
        bring.append(kit_text(order_kit(catalogue[row["fault"]], row["leg"], row, settings=orders)))
        possible.append(
            also_possible(
                row["fault_likelihoods"],
                row["fault"],
                catalogue,
                from_share=ranking.also_from,
                called=line_words(counts[-1]),
            )
        )
    return (
        ranked.with_columns(
            bring=pl.Series(bring, dtype=pl.String), also_possible=pl.Series(possible, dtype=pl.String),
            line_count=pl.Series(counts, dtype=pl.Int64),
        )
        .rename({"fault": "suspected_fault", "onset_on": "since"})
        .select(SCHEMA.names()).cast(SCHEMA)
    )  # fmt: skip


def also_possible(
    shares: Mapping[str, float | None],
    fault: str,
    catalogue: Mapping[str, Fault],
    *,
    from_share: float,
    called: LineWords | None = None,
) -> str | None:
    """Return the other likely faults in words, likeliest first, each with how to tell it on site.

    Parameters
    ----------
    shares
        Fault -> its likelihood, null counts as 0.
    fault
        The likeliest, which is left out.
    catalogue
        The faults by name.
    from_share
        Least likelihood, above 0.
    called
        What the home's lines are called; None: legs.
    """
    called = called or line_words(2)

    def retell(text: str) -> str:
        return called.retell(spell_faults(text))

    others = [
        (share, name) for name, share in shares.items() if name in catalogue and name != fault and share
    ]
    possible = [
        f"{called.retell(fault_title(name))} {percent(share)} (looks like: {retell(catalogue[name].looks_like)}. "
        f"Test on site: {retell(catalogue[name].remedy.prove)})"
        for share, name in sorted(others, key=lambda pair: (-pair[0], pair[1]))
        if share >= from_share
    ]
    return " | ".join(possible) or None
