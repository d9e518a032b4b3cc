"""What to teach: by crew and for the fleet the fault that costs most, and the one habit that prevents it.

The cost of a fault is the list's: energy misreported until a visit, and the time to set it right.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.setting_sections import CrewSettings, RankingSettings
from pipeline.faults.types import Fault
from pipeline.worklist.expected_value import remedies, wrong_energy

SCHEMA = pl.Schema(
    {
        "crew_id": pl.String, "fault": pl.String, "faults": pl.Float64, "confirmed_faults": pl.Int64,
        "kwh_per_day": pl.Float64, "minutes": pl.Float64, "cost": pl.Float64, "cost_share": pl.Float64,
        "habit": pl.String,
    }
)  # fmt: skip
DUST = 0.01  # chances below this are left out: the sum over many sound homes teaches nothing


def lesson_table(
    chances: pl.DataFrame,
    crew_of: pl.DataFrame,
    signals: pl.DataFrame,
    *,
    catalogue: Mapping[str, Fault],
    ranking: RankingSettings,
    settings: CrewSettings,
) -> pl.DataFrame:
    """Return table crew_lesson (SCHEMA): the costliest fault of each crew, and of the fleet (crew_id null, first).

    `faults` found and expected from commissioning, `kwh_per_day` [kWh/day] they misreport or did, `minutes` [min] of
    visits, drive included, or of remote fixes; `cost` both together in the fleet's currency, `cost_share` of all the
    crew's. A crew with fewer than [crews] lesson_faults of its costliest fault has no row: it may be chance.

    Parameters
    ----------
    chances
        site_id, fault, leg, is_found, chance.
    crew_of
        site_id, crew_id.
    signals
        Table site_signal, for the energy.
    catalogue
        The faults by name.
    ranking, settings
        Sections [ranking] and [crews].
    """
    likely = chances.filter((pl.col("chance") >= DUST) & pl.col("fault").is_in(list(catalogue)))
    if likely.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    wrong, is_visit = (
        wrong_energy(likely, signals, catalogue)["kwh_per_day_wrong"],
        pl.col("fix_by") == "visit",
    )
    drive = pl.when(is_visit).then(ranking.drive_min).otherwise(0.0)
    rate_h = pl.when(is_visit).then(ranking.labour_rate_h).otherwise(ranking.office_rate_h)
    energy = pl.col("kwh_per_day_wrong").clip(0, ranking.kwh_cap) * ranking.kwh_value * ranking.horizon_days
    minutes, chance = pl.col("minutes_on_site").cast(pl.Float64) + drive, pl.col("chance")
    by_home = (
        likely.with_columns(wrong)
        .join(remedies(catalogue), on="fault")
        .join(crew_of, on="site_id")
        .select(
            "crew_id", "fault", "habit", faults=chance, confirmed_faults=pl.col("is_found").cast(pl.Int64),
            kwh_per_day=chance * pl.col("kwh_per_day_wrong"), minutes=chance * minutes,
            cost=chance * (energy + minutes / 60 * rate_h),
        )
    )  # fmt: skip
    fleet = by_home.with_columns(crew_id=pl.lit(None, dtype=pl.String))
    return (
        pl.concat([fleet, by_home.drop_nulls("crew_id")])
        .group_by("crew_id", "fault", "habit", maintain_order=True)
        .agg(pl.col("faults", "confirmed_faults", "kwh_per_day", "minutes", "cost").sum())
        .with_columns(cost_share=pl.col("cost") / pl.col("cost").sum().over("crew_id"))
        .sort("crew_id", "cost", "fault", descending=[False, True, False], nulls_last=False)
        .group_by("crew_id", maintain_order=True).first()
        .filter(pl.col("faults") >= settings.lesson_faults)
        .select(SCHEMA.names()).cast(SCHEMA)
    )  # fmt: skip
