"""The ranked list of homes to go back to or to put right at the desk: what, where, with what, in which order.

Suspects come before unproven homes; within each, the order is by `priority`, the expected value of acting now
in the fleet's own currency (see `priority_terms`); equal ones by site_id.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.fault import Fault
from pipeline.likely import likely_faults
from pipeline.settings import RankingSettings, Settings

SCHEMA = pl.Schema(
    {
        "rank": pl.Int64, "site_id": pl.String, "area": pl.String, "likelihood": pl.Float64,
        "suspected_fault": pl.String, "leg": pl.String, "since": pl.Date, "evidence": pl.String,
        "fix_by": pl.String, "bring": pl.String, "minutes_on_site": pl.Int64, "kwh_per_day_wrong": pl.Float64,
        "priority": pl.Float64, "nights_listed": pl.Int64, "standing": pl.String, "verdict": pl.String,
        "also_possible": pl.String, "crew_id": pl.String,
    }
)  # fmt: skip
# A clamp among the things to bring, but not a clamp meter.
_CLAMP = re.compile(r"^(?P<spare>spare )?clamp( of the same rating)?$")


def revisit_list(
    scores: pl.DataFrame,
    signals: pl.DataFrame,
    sites: pl.DataFrame,
    standing: pl.DataFrame,
    catalogue: Mapping[str, Fault],
    settings: Settings,
) -> pl.DataFrame:
    """Return table revisit_list (SCHEMA), `rank` from 1, at most [ranking].max_rows rows.

    Parameters
    ----------
    scores
        `site_scores`: site_id, area, crew_id, likelihood, verdict, suspected_fault, leg, fault_likelihoods,
        onset_on, evidence (and likely_leg where it is known).
    signals
        Table site_signal, from which the energy misreported is worked out.
    sites
        The register; its `ct_amps` say which spare clamp to bring.
    standing
        Tonight's standings (`next_standing`): who is listed, and for how many nights.

    Notes
    -----
    `suspected_fault` is the likeliest fault, never sound; `since` is null for one from the first day on.
    `kwh_per_day_wrong` [kWh/day] is what is misreported if that fault is on that leg; where the leg is not
    known, the least of its legs. `bring` has the things apart by "; ". `also_possible` names the other faults
    from [ranking].also_from on with their likelihood and how to tell them on site, null where there is none.
    """
    own = settings.ranking
    listed = (
        scores.join(standing.filter("is_listed").select("site_id", "standing", "nights_listed"), on="site_id")
        .drop("leg")
        .join(likely_faults(scores), on="site_id")
        .join(sites.select("site_id", pl.col("ct_amps").cast(pl.Float64)), on="site_id", how="left")
    )
    wrong = wrong_energy(listed.select("site_id", "fault", "leg"), signals, catalogue)
    remedies = pl.DataFrame(
        [(name, fault.remedy.fix_by, fault.remedy.minutes) for name, fault in catalogue.items()],
        schema={"fault": pl.String, "fix_by": pl.String, "minutes_on_site": pl.Int64},
        orient="row",
    )
    rows = listed.join(remedies, on="fault").join(wrong, on="site_id")
    ranked = (
        pl.concat([rows, priority_terms(rows, own).select("priority")], how="horizontal")
        .sort(pl.col("verdict") != "suspect", -pl.col("priority"), "site_id")
        .head(own.max_rows)
        .with_row_index("rank", offset=1)
    )
    words = [_words(row, catalogue, own) for row in ranked.iter_rows(named=True)]
    told = pl.DataFrame(words, schema={"bring": pl.String, "also_possible": pl.String}, orient="row")
    named = pl.concat([ranked.drop("suspected_fault"), told], how="horizontal").rename(
        {"fault": "suspected_fault", "onset_on": "since"}
    )
    return named.select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())


def priority_terms(rows: pl.DataFrame, ranking: RankingSettings) -> pl.DataFrame:
    """Return what `priority` is made of, one row a row of `rows`, all in the fleet's currency.

    Columns: `gain` = likelihood x (home_value_day + kwh_value x least(kwh_per_day_wrong, kwh_cap)) x
    horizon_days; `cost` = (drive_min + minutes_on_site) / 60 x labour_rate_h of a visit, minutes_on_site / 60
    x office_rate_h at the desk; `regret` = (1 - likelihood) x needless_visit_cost, or needless_office_cost;
    `priority` = gain - cost - regret. For the same fault and energy it rises with the likelihood.

    Parameters
    ----------
    rows
        Any frame with likelihood, kwh_per_day_wrong, fix_by and minutes_on_site, such as the list itself.
    ranking
        The weights, with their units in settings.toml.
    """
    likelihood, is_visit = pl.col("likelihood"), pl.col("fix_by") == "visit"
    worth_day = ranking.home_value_day + ranking.kwh_value * pl.col("kwh_per_day_wrong").clip(
        0, ranking.kwh_cap
    )
    visit = (ranking.drive_min + pl.col("minutes_on_site")) / 60 * ranking.labour_rate_h
    desk = pl.col("minutes_on_site") / 60 * ranking.office_rate_h
    needless = pl.when(is_visit).then(ranking.needless_visit_cost).otherwise(ranking.needless_office_cost)
    return rows.select(
        (likelihood * worth_day * ranking.horizon_days).alias("gain"),
        pl.when(is_visit).then(visit).otherwise(desk).alias("cost"),
        ((1 - likelihood) * needless).alias("regret"),
    ).with_columns((pl.col("gain") - pl.col("cost") - pl.col("regret")).alias("priority"))


def wrong_energy(homes: pl.DataFrame, signals: pl.DataFrame, catalogue: Mapping[str, Fault]) -> pl.DataFrame:
    """Return `site_id`, `kwh_per_day_wrong` [kWh/day] of `homes` (site_id, fault, leg); 0 without signals.

    Where `leg` is null or none of the fault's, the least of its legs counts.
    """
    energy = pl.lit(None, dtype=pl.Float64)
    for name, fault in catalogue.items():
        least = pl.min_horizontal(fault.wrong_kwh_day.values())
        for leg, wrong in fault.wrong_kwh_day.items():
            least = pl.when(pl.col("leg") == leg).then(wrong).otherwise(least)
        energy = pl.when(pl.col("fault") == name).then(least).otherwise(energy)
    known = homes.join(signals.drop("fault", "leg", strict=False), on="site_id")
    told = known.select("site_id", energy.alias("kwh_per_day_wrong"))
    return homes.select("site_id").join(told, on="site_id", how="left").fill_null(0.0)


def to_bring(things: tuple[str, ...], ct_amps: float | None) -> str:
    """Return the things to bring, with the rating on a spare clamp where the register knows it."""
    rated = []
    for thing in things:
        clamp = _CLAMP.match(thing)
        is_known = clamp is not None and ct_amps is not None
        rated.append(f"{(clamp['spare'] or '')}clamp, {ct_amps:g} A" if clamp and is_known else thing)
    return "; ".join(rated)


def also_possible(
    shares: Mapping[str, float | None], fault: str, catalogue: Mapping[str, Fault], from_share: float
) -> str | None:
    """Return the other faults from `from_share` on, likeliest first, each with how to tell it on site."""
    rest = [(share, name) for name, share in shares.items() if name in catalogue and name != fault and share]
    told = [
        f"{name.replace('_', ' ')} {share * 100:.0f} % (looks like: {catalogue[name].looks_like}. "
        f"Test on site: {catalogue[name].remedy.prove})"
        for share, name in sorted(rest, key=lambda pair: (-pair[0], pair[1]))
        if share >= from_share
    ]
    return " | ".join(told) or None


def _words(
    row: Mapping[str, Any], catalogue: Mapping[str, Fault], own: RankingSettings
) -> tuple[str, str | None]:
    bring = to_bring(catalogue[row["fault"]].remedy.bring, row["ct_amps"])
    return bring, also_possible(row["fault_likelihoods"], row["fault"], catalogue, own.also_from)
