"""The night's tables about crews, and the views over them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from pipeline.core import sql_runner
from pipeline.core.setting_sections import CrewSettings, EngineSettings
from pipeline.core.settings import Settings
from pipeline.crews.casemix import UNKNOWN, case_mix
from pipeline.crews.change import changes
from pipeline.crews.crew_quality import count_installs, quality_table, with_names
from pipeline.crews.estimates import Estimates, estimate
from pipeline.crews.fault_chances import FaultChances
from pipeline.crews.fleet import Installs, fleet_interval
from pipeline.crews.homes import install_homes
from pipeline.crews.lessons import DUST, lesson_table
from pipeline.crews.trainings import training_table
from pipeline.crews.visiting import doubly_robust, visit_chance, visit_columns, visit_weight
from pipeline.faults.types import Fault
from pipeline.ingest.registers import Registers
from pipeline.scoring.score_homes import Scored
from pipeline.scoring.verdict import ct_scores

Float = NDArray[np.float64]
CHANGE = pl.Schema(
    {
        "crew_id": pl.String, "changed_on": pl.Date, "installs_before": pl.Int64, "installs_after": pl.Int64,
        "rate_before": pl.Float64, "rate_after": pl.Float64, "p_value": pl.Float64,
    }
)  # fmt: skip
VIEWS = ("crew_month", "crew_position", "crew_ranking")  # of nightclamp.duckdb, in sql/, over these tables
_FEWEST_VISITS = 10  # with fewer visits beside their promise, the chance of a visit is not modelled


def crew_tables(
    scored: Scored,
    registers: Registers,
    promise: pl.DataFrame,
    *,
    catalogue: Mapping[str, Fault],
    settings: Settings,
) -> dict[str, pl.DataFrame]:
    """Return crew_quality, crew_home, crew_fault, crew_lesson, crew_training, crew_change and crew_fleet by name.

    `crew_home` has a row an install (`homes.SCHEMA` and `chance` of a fault at commissioning, after all that is
    known); `crew_fault` one a crew, position and fault; `crew_lesson`, `crew_training`, `crew_change`
    as their modules say; `crew_fleet` one row of what holds for all.

    Parameters
    ----------
    scored
        Likelihoods, signals, and the fleet's rate that they were worked out for.
    registers
        Homes, crews, visits and trainings; no visit later than the night.
    promise
        Table promise; may have no rows.
    catalogue
        The faults by name.
    settings
        [crews] and [ranking] count.
    """
    crews = settings.crews
    scores = ct_scores(scored.scores)  # a loose neutral is nobody's CT fault
    homes = install_homes(scores, registers.sites, registers.visits, promise=promise, settings=crews)
    counts = with_names(registers.crews, count_installs(homes.with_columns(chance=pl.lit(0.0))))
    names = counts["crew_id"].to_list()
    heard = homes.filter(pl.col("is_heard") & (pl.col("is_visited") | pl.col("likelihood").is_not_null()))
    installs, weighted_rate = _installs(heard, names, scored.fleet.rate, crews)
    estimates = estimate(installs, counts["judged"].to_numpy() >= crews.min_judged, crews)
    chance = heard.select("site_id", chance=pl.Series(estimates.fit.chance))
    homes = homes.join(chance, on="site_id", how="left").with_columns(
        chance=pl.when("is_heard").then(pl.col("chance").fill_null(0.0))
    )
    chances = FaultChances.of(heard, estimates.fit.chance, scored.scores)
    faults = chances.by_crew()
    top = (
        faults.drop_nulls("crew_id")
        .group_by("crew_id", "fault", maintain_order=True)
        .agg(faults=(pl.col("confirmed_faults") + pl.col("expected_faults")).sum())
        .filter(pl.col("faults") >= crews.lesson_faults)
        .sort("faults", "fault", descending=[True, False])
        .group_by("crew_id", maintain_order=True)
        .agg(top_fault=pl.col("fault").first())
    )
    # also the faults that no home has
    topics = dict.fromkeys(catalogue, np.zeros(heard.height)) | chances.topics()
    return {
        "crew_quality": quality_table(
            with_names(registers.crews, count_installs(homes)), estimates, top, settings=crews
        ),
        "crew_home": homes,
        "crew_fault": faults,
        "crew_lesson": lesson_table(
            chances.rows(DUST), homes.select("site_id", "crew_id"), scored.signals, catalogue=catalogue,
            ranking=settings.ranking, settings=crews,
        ),
        "crew_training": training_table(
            registers.trainings, heard, installs, fit=estimates.fit, topics=topics, settings=crews
        ),
        "crew_change": _crew_change(heard, installs, estimates, names, crews),
        "crew_fleet": _crew_fleet(homes, estimates, installs.columns, weighted_rate, scored.fleet.rate),
    }  # fmt: skip


def view_rows(
    tables: Mapping[str, pl.DataFrame], scratch: Path, engine: EngineSettings
) -> dict[str, pl.DataFrame]:
    """Return the rows of each view (VIEWS) over these tables."""
    with sql_runner.connect(scratch, engine) as con:
        for name in ("crew_home", "crew_fault", "crew_quality"):
            con.register(name, tables[name].to_arrow())
        return {name: sql_runner.query(con, name, {}) for name in VIEWS}


def _installs(
    heard: pl.DataFrame, crews: list[str], base_rate: float, settings: CrewSettings
) -> tuple[Installs, tuple[float, float, float] | None]:
    """Return the homes as arrays, and the fleet's rate weighted by visits with its interval, None with few visits."""
    number = {name: index for index, name in enumerate(crews)}
    crew = np.array([number.get(name, -1) for name in heard["crew_id"]], dtype=np.int64)
    likelihood = heard["likelihood"].cast(pl.Float64).to_numpy().astype(np.float64)
    is_known = heard["is_visited"].to_numpy()
    with_promise = is_known & heard["has_promise"].to_numpy() & np.isfinite(likelihood)
    likelihood = np.where(is_known & ~with_promise, np.nan, likelihood)
    found = heard["is_wrong"].fill_null(False).to_numpy().astype(np.float64)
    columns, weight = case_mix(heard).to_numpy(order="c"), with_promise.astype(np.float64)
    installs = Installs(crew, len(crews), likelihood, is_known, found, columns, weight, base_rate)
    if with_promise.sum() < _FEWEST_VISITS:
        return installs, None
    modelled = np.isfinite(likelihood)
    others = np.column_stack([columns[:, 1:], _areas(heard), _age(heard)])[modelled]
    visited = with_promise[modelled]
    chance = visit_chance(visit_columns(installs.log_odds[modelled], others), visited)
    weight[with_promise] = visit_weight(chance[visited], settings.most_weight)
    weighted_rate = doubly_robust(likelihood[modelled], found[modelled], visited, chance=chance)
    return replace(installs, weight=weight), weighted_rate


def _areas(heard: pl.DataFrame) -> Float:
    return heard["area"].fill_null(UNKNOWN).to_dummies().to_numpy().astype(np.float64)


def _age(heard: pl.DataFrame) -> Float:
    """Return how long a home has been in service beside the others, in their standard deviations; 0 if not known."""
    days = heard["commissioned_on"].cast(pl.Int32).cast(pl.Float64).to_numpy().astype(np.float64)
    known = np.isfinite(days)
    spread = float(days[known].std()) if known.any() else 0.0
    return np.where(known, (days - days[known].mean()) / spread, 0.0) if spread > 0 else np.zeros(days.size)


def _crew_change(
    heard: pl.DataFrame, installs: Installs, estimates: Estimates, crews: list[str], settings: CrewSettings
) -> pl.DataFrame:
    chance = estimates.fit.chance
    surprise = chance - special.expit(estimates.fit.hardness)
    day = heard["commissioned_on"].cast(pl.Int32).fill_null(-1).to_numpy().astype(np.int64)
    by_day = np.argsort(day, kind="stable")
    homes = [by_day[(installs.crew[by_day] == crew) & (day[by_day] >= 0)] for crew in range(len(crews))]
    changed = changes(
        [day[mine] for mine in homes], [surprise[mine] for mine in homes], settings.min_judged,
        shuffles=settings.change_shuffles, alpha=settings.change_alpha,
    )  # fmt: skip
    rows = []
    for crew, mine, points in zip(crews, homes, changed, strict=True):
        parts = np.split(mine, [point.installs_before for point in points])
        for point, before, after in zip(points, parts[:-1], parts[1:], strict=True):
            rows.append(
                {
                    "crew_id": crew, "changed_on": date(1970, 1, 1) + timedelta(days=int(day[after[0]])),
                    "installs_before": before.size, "installs_after": after.size,
                    "rate_before": float(chance[before].mean()), "rate_after": float(chance[after].mean()),
                    "p_value": point.p_value,
                }
            )  # fmt: skip
    return pl.DataFrame(rows, schema=CHANGE)


def _crew_fleet(
    homes: pl.DataFrame,
    estimates: Estimates,
    columns: Float,
    weighted_rate: tuple[float, float, float] | None,
    base_rate: float,
) -> pl.DataFrame:
    """Return the one row of crew_fleet: counts, the rate, what visits say of the likelihoods, how crews differ."""
    fit, dispersion = estimates.fit, estimates.dispersion
    rate, low, high = weighted_rate or (None, None, None)
    fleet_low, fleet_high = fleet_interval(fit, columns)
    row = {
        "installs": homes.height, "heard": int(homes["is_heard"].sum()), "visited": int(homes["is_visited"].sum()),
        "visited_with_promise": int((homes["is_visited"] & homes["has_promise"]).sum()), "base_rate": base_rate,
        "fleet_rate": fit.fleet_rate, "fleet_low": fleet_low, "fleet_high": fleet_high,
        "weighted_rate": rate, "weighted_low": low, "weighted_high": high,
        "offset": float(fit.calibration[0]), "offset_sd": float(np.sqrt(fit.calibration_cov[0, 0])),
        "stretch": float(1 + fit.calibration[1]),
        "spread_alpha": estimates.fair.alpha, "spread_beta": estimates.fair.beta,
        "phi": dispersion.phi, "phi_p_value": dispersion.p_value, "crews_compared": dispersion.crews,
    }  # fmt: skip
    weighted = ("weighted_rate", "weighted_low", "weighted_high")
    return pl.DataFrame(row, schema_overrides=dict.fromkeys(weighted, pl.Float64))
