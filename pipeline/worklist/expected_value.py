"""What going to a home is worth: an expected value in the fleet's own currency, and the likelihood from which it pays.

    value_true   = chance_fixed x (home_value_day + kwh_value x least(kwh_per_day_wrong, kwh_cap)) x horizon_days
    value_gain   = likelihood x value_true
    value_cost   = (drive_min + minutes_on_site) / 60 x labour_rate_h of a visit; minutes_on_site / 60 x office_rate_h
    value_regret = (1 - likelihood) x needless_visit_cost, or needless_office_cost
    priority     = value_gain - value_cost - value_regret

`priority` is 0 at the home's own break-even, the likelihood from which going pays: the odds at which what a needless
visit costs is made up by what a true one brings (Pauker & Kassirer, New Engl. J. Med. 302:1109, 1980),

    needless_cost = value_cost + needless_visit_cost, or needless_office_cost
    break_even    = needless_cost / (needless_cost + (value_true - value_cost))

Energy misreported up to now (`energy_so_far`) counts for nothing here: it is the same whether or not anybody goes. What
it is worth to put past data right is another job's value (reversed and crossed CTs have an exact inverse).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.core.contract import SOUND
from pipeline.core.setting_sections import RankingSettings
from pipeline.core.settings import Settings
from pipeline.faults.energy_error import line_counts
from pipeline.faults.types import Fault
from pipeline.worklist import energy_so_far
from pipeline.worklist.drive_minutes import drive_minutes

# fault, leg: likely_fault, likely_leg of the scores. drive_min, drive_from: null at the desk. energy_from: "inverse"
# (exact) or "bound" (from what the readings still show). value_true: if the fault is there, before the cost of going;
# needless_cost: all costs if it isn't; break_even: null where going never pays. What `energy_so_far`
# sums is only known of listed homes.
_COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "site_id": pl.String, "fault": pl.String, "leg": pl.String, "fix_by": pl.String,
    "likelihood": pl.Float64, "verdict": pl.String, "minutes_on_site": pl.Int64, "drive_min": pl.Float64,
    "drive_from": pl.String, "chance_fixed": pl.Float64, "kwh_per_day_wrong": pl.Float64,
    "energy_from": pl.String, "wrong_since": pl.Date, **energy_so_far.COLUMNS,
    "value_true": pl.Float64, "value_gain": pl.Float64, "value_cost": pl.Float64,
    "value_regret": pl.Float64, "priority": pl.Float64, "needless_cost": pl.Float64,
    "break_even": pl.Float64,
}  # fmt: skip
SCHEMA = pl.Schema(_COLUMNS)


def worth(
    scores: pl.DataFrame,
    signals: pl.DataFrame,
    sites: pl.DataFrame,
    *,
    chances: pl.DataFrame,
    catalogue: Mapping[str, Fault],
    settings: Settings,
) -> pl.DataFrame:
    """Return table worth (SCHEMA): what going to each home of `scores` is worth tonight, sorted by site_id.

    Parameters
    ----------
    scores
        `site_scores`: site_id, likelihood, verdict, likely_fault, likely_leg, onset_on, from_on.
    signals
        Table site_signal, from which the energy misreported is worked out.
    sites
        The register: commissioned_on, latitude, longitude.
    chances
        Table chance (`fix_success.chances`).
    catalogue
        The faults by name, for their remedies and energies.
    settings
        [ranking] and [dispatch] count.

    Notes
    -----
    Neighbours for the drive are the other homes that a visit is worth at [ranking] drive_min and that are not called
    sound. `wrong_since` is the onset, else the commissioning, else the first day of the data.
    """
    ranking, is_visit = settings.ranking, pl.col("fix_by") == "visit"
    by_fault = chances.drop_nulls("fault").select("fault", chance_fixed="chance")
    homes = scores.select("site_id", fault="likely_fault", leg=pl.col("likely_leg").cast(pl.String))
    known = (
        scores.select("site_id", "likelihood", "verdict", "onset_on", "from_on")
        .join(homes, on="site_id")
        .join(remedies(catalogue), on="fault")
        .join(by_fault, on="fault")
        .join(wrong_energy(homes, signals, catalogue), on="site_id")
        .join(sites.select("site_id", "commissioned_on", "latitude", "longitude"), on="site_id", how="left")
    )
    alone = terms(known.with_columns(drive_min=pl.lit(ranking.drive_min)), ranking)
    is_candidate = (pl.col("priority") > 0) & is_visit & (pl.col("verdict") != SOUND)
    places = alone.select("site_id", "latitude", "longitude", is_candidate=is_candidate)
    return (
        terms(known.join(drive_minutes(places, ranking, settings.dispatch), on="site_id"), ranking)
        .with_columns(wrong_since=pl.coalesce("onset_on", "commissioned_on", "from_on"))
        .with_columns(pl.lit(None, dtype).alias(name) for name, dtype in energy_so_far.COLUMNS.items())
        .with_columns(pl.when(is_visit).then(name).alias(name) for name in ("drive_min", "drive_from"))
        .select(SCHEMA.names()).cast(SCHEMA).sort("site_id")
    )  # fmt: skip


def with_so_far(value: pl.DataFrame, so_far: pl.DataFrame) -> pl.DataFrame:
    """Return table worth with the sums of `energy_so_far.energy_so_far` in the homes that have them."""
    known = value.drop(*energy_so_far.COLUMNS).join(so_far, on="site_id", how="left", maintain_order="left")
    return known.select(SCHEMA.names()).cast(SCHEMA)


def remedies(catalogue: Mapping[str, Fault]) -> pl.DataFrame:
    """Return `fault`, `fix_by`, `minutes_on_site` [min], `habit` and `energy_from` of each fault."""
    return pl.DataFrame(
        [(name, fault.remedy.fix_by, fault.remedy.minutes, fault.remedy.habit, "inverse" if fault.inverse else "bound")
         for name, fault in catalogue.items()],
        schema={"fault": pl.String, "fix_by": pl.String, "minutes_on_site": pl.Int64, "habit": pl.String,
                "energy_from": pl.String},
        orient="row",
    )  # fmt: skip


def terms(rows: pl.DataFrame, ranking: RankingSettings) -> pl.DataFrame:
    """Return `rows` with value_true, value_gain, value_cost, value_regret, priority, needless_cost, break_even.

    Needs likelihood, chance_fixed, kwh_per_day_wrong, fix_by, minutes_on_site and drive_min, as the list itself has.
    """
    likelihood, is_visit = pl.col("likelihood"), pl.col("fix_by") == "visit"
    visit = (pl.col("drive_min") + pl.col("minutes_on_site")) / 60 * ranking.labour_rate_h
    desk = pl.col("minutes_on_site") / 60 * ranking.office_rate_h
    extra = pl.when(is_visit).then(ranking.needless_visit_cost).otherwise(ranking.needless_office_cost)
    value_day = ranking.home_value_day + ranking.kwh_value * pl.col("kwh_per_day_wrong").clip(
        0, ranking.kwh_cap
    )
    cost, needless, true = pl.col("value_cost"), pl.col("needless_cost"), pl.col("value_true")
    return (
        rows.with_columns(
            value_true=pl.col("chance_fixed") * value_day * ranking.horizon_days,
            value_cost=pl.when(is_visit).then(visit).otherwise(desk),
        )
        .with_columns(
            value_gain=likelihood * true, value_regret=(1 - likelihood) * extra, needless_cost=cost + extra
        )
        .with_columns(
            priority=pl.col("value_gain") - cost - pl.col("value_regret"),
            break_even=pl.when(true > cost).then(needless / (needless + true - cost)),
        )
    )


def wrong_energy(homes: pl.DataFrame, signals: pl.DataFrame, catalogue: Mapping[str, Fault]) -> pl.DataFrame:
    """Return `site_id`, `kwh_per_day_wrong` [kWh/day] of `homes` (site_id, fault, leg); 0 without signals.

    Where `leg` is null or none of the fault's, the least of its legs counts.
    """
    known = homes.select("site_id", "fault", "leg").with_row_index("home")
    heard = known.join(
        signals.select("site_id").with_row_index("signal").with_columns(lines=line_counts(signals)),
        on="site_id",
    )
    kwh_day = np.zeros(homes.height)
    for (name, leg, lines), alike in heard.partition_by("fault", "leg", "lines", as_dict=True).items():
        if name not in catalogue:
            continue
        energy = catalogue[str(name)].energy_kwh_day(leg, lines)
        needed = set(energy.meta.root_names())
        rows = alike.select("leg").with_columns(
            signals[column].gather(alike["signal"]) for column in signals.columns if column in needed
        )
        rows = rows.with_columns(kwh=energy.cast(pl.Float64).fill_null(0.0))
        kwh_day[alike["home"].to_numpy()] = rows["kwh"].to_numpy()
    return homes.select("site_id", kwh_per_day_wrong=pl.Series(kwh_day))
