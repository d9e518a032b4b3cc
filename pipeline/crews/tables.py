"""The night's tables about crews, made from what it knows of homes, visits and trainings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from pipeline.core.setting_sections import CrewSettings
from pipeline.core.settings import Settings
from pipeline.crews.casemix import UNKNOWN, case_mix
from pipeline.crews.change import changes
from pipeline.crews.estimates import Estimates, estimate
from pipeline.crews.fault_chances import FaultChances
from pipeline.crews.fleet import Installs, fleet_interval
from pipeline.crews.homes import install_homes
from pipeline.crews.lessons import DUST, lesson_table
from pipeline.crews.table import count_installs, quality_table, with_names
from pipeline.crews.trainings import training_table
from pipeline.crews.visiting import doubly_robust, visit_chance, visit_columns, visit_weight
from pipeline.faults.types import Fault

Float = NDArray[np.float64]
CHANGE = pl.Schema(
    {
        "crew_id": pl.String, "changed_on": pl.Date, "installs_before": pl.Int64, "installs_after": pl.Int64,
        "rate_before": pl.Float64, "rate_after": pl.Float64, "p_value": pl.Float64,
    }
)  # fmt: skip
_FEWEST_VISITS = 10  # with fewer visits beside their promise, the chance of a visit is not modelled


@dataclass(frozen=True)
class CrewInputs:
    """What a night knows: `scores` site_scores, `signals` site_signal, the registers, `promise` (may have no rows).

    `base_rate` the share of faulty homes that the scores' likelihoods were worked out for.
    """

    scores: pl.DataFrame
    signals: pl.DataFrame
    sites: pl.DataFrame
    crews: pl.DataFrame
    visits: pl.DataFrame
    trainings: pl.DataFrame
    promise: pl.DataFrame
    base_rate: float


def crew_tables(
    night: CrewInputs, catalogue: Mapping[str, Fault], settings: Settings
) -> dict[str, pl.DataFrame]:
    """Return crew_quality, crew_home, crew_fault, crew_lesson, crew_training, crew_change and crew_fleet by name.

    `crew_home` has a row an install (`homes.SCHEMA` and `chance` of a fault at commissioning, after all that is
    known); `crew_fault` one a crew, position and fault; `crew_lesson`, `crew_training`, `crew_change`
    as their modules say; `crew_fleet` one row of what holds for all.
    """
    own = settings.crews
    homes = install_homes(night.scores, night.sites, night.visits, night.promise, settings)
    begun = with_names(night.crews, count_installs(homes.with_columns(pl.lit(0.0).alias("chance"))))
    names = begun["crew_id"]
    heard = homes.filter(pl.col("is_heard") & (pl.col("is_visited") | pl.col("likelihood").is_not_null()))
    installs, check = _installs(heard, names.to_list(), night.base_rate, settings)
    found = estimate(installs, begun["judged"].to_numpy() >= settings.min_judged, settings)
    homes = homes.join(
        heard.select("site_id", pl.Series("chance", found.fit.chance)), on="site_id", how="left"
    ).with_columns(pl.when("is_heard").then(pl.col("chance").fill_null(0.0)).alias("chance"))
    chances = FaultChances.of(heard, found.fit.chance, night.scores)
    faults = chances.by_crew()
    top = (
        faults.group_by("crew_id", "fault", maintain_order=True)
        .agg((pl.col("confirmed_faults") + pl.col("expected_faults")).sum().alias("faults"))
        .filter(pl.col("faults") >= settings.lesson_faults)
        .sort("faults", "fault", descending=[True, False])
        .group_by("crew_id", maintain_order=True)
        .agg(pl.col("fault").first().alias("top_fault"))
        .drop_nulls("crew_id")
    )
    counts = with_names(night.crews, count_installs(homes))
    return {
        "crew_quality": quality_table(counts, found, top, settings),
        "crew_home": homes,
        "crew_fault": faults,
        "crew_lesson": lesson_table(
            chances.rows(DUST),
            homes.select("site_id", "crew_id"),
            night.signals,
            catalogue,
            settings.ranking,
            settings,
        ),
        "crew_training": training_table(
            night.trainings,
            heard,
            installs,
            found.fit,
            _all_topics(chances.topics(), catalogue, heard.height),
            settings,
        ),
        "crew_change": _crew_change(heard, installs, found, names.to_list(), settings),
        "crew_fleet": _crew_fleet(homes, found, installs.columns, check, night.base_rate),
    }


def _all_topics(topics: dict[str, Float], catalogue: Mapping[str, Fault], count: int) -> dict[str, Float]:
    """Return the chances of every fault, also of those that no home has."""
    return {name: topics.get(name, np.zeros(count)) for name in (*catalogue, *topics)}


def _installs(
    heard: pl.DataFrame, crews: list[str], base_rate: float, settings: CrewSettings
) -> tuple[Installs, tuple[float, float, float] | None]:
    """Return the homes as numbers, and the fleet's rate by visits' weights with its ends, None with few visits."""
    number = {name: at for at, name in enumerate(crews)}
    crew = np.array([number.get(name, -1) for name in heard["crew_id"]], dtype=np.int64)
    likelihood = heard["likelihood"].cast(pl.Float64).to_numpy().astype(np.float64)
    is_known = heard["is_visited"].to_numpy()
    with_promise = is_known & heard["has_promise"].to_numpy() & np.isfinite(likelihood)
    likelihood = np.where(is_known & ~with_promise, np.nan, likelihood)
    found = heard["is_wrong"].fill_null(False).to_numpy().astype(np.float64)
    columns = case_mix(heard).columns
    weight = np.where(with_promise, 1.0, 0.0)
    installs = Installs(crew, len(crews), likelihood, is_known, found, columns, weight, base_rate)
    if with_promise.sum() < _FEWEST_VISITS:
        return installs, None
    modelled = np.isfinite(likelihood)
    others = np.column_stack([columns[:, 1:], _areas(heard), _age(heard)])[modelled]
    design = visit_columns(installs.log_odds[modelled], others)
    chance = visit_chance(design, with_promise[modelled])
    weight = np.zeros(weight.size)
    weight[with_promise] = visit_weight(chance[with_promise[modelled]], settings.most_weight)
    check = doubly_robust(likelihood[modelled], found[modelled], with_promise[modelled], chance)
    return replace(installs, weight=weight), check


def _areas(heard: pl.DataFrame) -> Float:
    areas = heard["area"].fill_null(UNKNOWN)
    return np.column_stack([(areas == name).to_numpy().astype(np.float64) for name in areas.unique().sort()])


def _age(heard: pl.DataFrame) -> Float:
    """Return how long a home has been in service beside the others, in their standard deviations; 0 if not known."""
    days = heard["commissioned_on"].cast(pl.Int32).cast(pl.Float64).to_numpy().astype(np.float64)
    known = np.isfinite(days)
    spread = float(days[known].std()) if known.any() else 0.0
    return np.where(known, (days - days[known].mean()) / spread, 0.0) if spread > 0 else np.zeros(days.size)


def _crew_change(
    heard: pl.DataFrame, installs: Installs, found: Estimates, crews: list[str], settings: CrewSettings
) -> pl.DataFrame:
    surprise = found.fit.chance - special.expit(found.fit.hardness)
    day = heard["commissioned_on"].cast(pl.Int32).fill_null(-1).to_numpy()
    order = [np.flatnonzero((installs.crew == at) & (day >= 0)) for at in range(len(crews))]
    order = [mine[np.argsort(day[mine], kind="stable")] for mine in order]
    days = [day[mine].astype(np.int64) for mine in order]
    moved = changes(
        days, [surprise[mine] for mine in order], settings.min_judged, settings.change_shuffles, settings.change_alpha
    )
    rows = []
    for at, steps in enumerate(moved):
        ends = [0, *(step.at for step in steps), order[at].size]
        for place, step in enumerate(steps):
            before, after = order[at][ends[place] : step.at], order[at][step.at : ends[place + 2]]
            rows.append(
                {
                    "crew_id": crews[at],
                    "changed_on": date.fromordinal(date(1970, 1, 1).toordinal() + int(days[at][step.at])),
                    "installs_before": before.size, "installs_after": after.size,
                    "rate_before": float(found.fit.chance[before].mean()),
                    "rate_after": float(found.fit.chance[after].mean()), "p_value": step.p_value,
                }
            )  # fmt: skip
    return pl.DataFrame(rows, schema=CHANGE) if rows else pl.DataFrame(schema=CHANGE)


def _crew_fleet(
    homes: pl.DataFrame,
    found: Estimates,
    columns: NDArray[np.float64],
    check: tuple[float, float, float] | None,
    base_rate: float,
) -> pl.DataFrame:
    """Return the one row of crew_fleet: counts, the rate, what visits say of the likelihoods, how crews differ."""
    fit = found.fit
    rate, low, high = check or (None, None, None)
    fleet_low, fleet_high = fleet_interval(fit, columns)
    return pl.DataFrame(
        {
            "installs": homes.height,
            "heard": int(homes["is_heard"].sum()),
            "visited": int(homes["is_visited"].sum()),
            "visited_with_promise": int((homes["is_visited"] & homes["has_promise"]).sum()),
            "base_rate": base_rate,
            "fleet_rate": fit.fleet_rate,
            "fleet_low": fleet_low,
            "fleet_high": fleet_high,
            "weighted_rate": rate,
            "weighted_low": low,
            "weighted_high": high,
            "offset": float(fit.adjust[0]),
            "offset_sd": float(np.sqrt(fit.adjust_cov[0, 0])),
            "stretch": float(1 + fit.adjust[1]),
            "spread_alpha": found.fair.alpha,
            "spread_beta": found.fair.beta,
            "phi": found.dispersion.phi,
            "phi_p_value": found.dispersion.p_value,
            "crews_compared": found.dispersion.crews,
        },
        schema_overrides=dict.fromkeys(("weighted_rate", "weighted_low", "weighted_high"), pl.Float64),
    )
