"""From scored fleets to the tables of the validation."""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.evaluation.study_pages import Table
from pipeline.evaluation.validation import limit
from pipeline.evaluation.validation.calibration import calibration_table
from pipeline.evaluation.validation.fleet_table import fleet_table
from pipeline.evaluation.validation.fleets import Fleets, weigh_as_ordinary
from pipeline.evaluation.validation.metrics import (
    average_precision,
    compute_metrics,
    count_by_fault,
    count_false_alarms,
    count_names,
    count_wrong_names,
    flag_found,
)
from pipeline.evaluation.validation.model_training import training_families
from pipeline.evaluation.validation.nights import count_by_position, metrics_by_night, nights_until_found
from pipeline.evaluation.validation.notes import NOTES
from pipeline.evaluation.validation.targets import check_targets
from pipeline.evaluation.validation.truth import pool_homes, pooled_id
from pipeline.scoring.model import Model

# What screen and page show of tables that have more columns.
_BY_FAULT = (
    "fault", "homes", "found", "found_share", "low", "high", "named_share", "leg_share", "missed_unproven",
    "missed_sound",
)  # fmt: skip
COLUMNS: dict[str, tuple[str, ...]] = {
    "targets": ("target", "wanted", "pooled", "worst", "worst_fleet", "met"),
    "fleets": (
        "fleet", "homes", "faulty", "average_precision", "first_share", "found_share", "named_share", "leg_share",
        "ece", "sound_suspects_1000", "suspects_right_share",
    ),
    "counts": (
        "fleet", "homes", "listed_1000", "true_rate", "rate", "rate_low", "rate_high", "installs_true", "installs_rate",
        "crews", "crews_held_share", "stand_out",
    ),
    "nights": (
        "nights", "faulty", "average_precision", "first_share", "found_share", "named_share", "leg_share",
        "order_named_share", "ece", "alarm_share",
    ),
    "by_fault": _BY_FAULT,
    "real_by_fault": _BY_FAULT,
}  # fmt: skip


def build_tables(fleets: Fleets, model: Model) -> tuple[Table, ...]:
    """Return the tables in reading order, the targets first; `notes` has their titles and notes."""
    main, pooled = fleets.ordinary[0], fleets.pool()
    by_fleet = fleet_table(fleets)
    real = pool_homes([homes for _, homes in fleets.real])
    alarms = count_false_alarms(pool_homes([fleet.homes for fleet in (*fleets.ordinary, *fleets.clean)]))
    frames = {
        "targets": check_targets(by_fleet),
        "fleets": by_fleet,
        "counts": by_fleet.filter(pl.col("rate").is_not_null()),
        "schooling": training_families(model),
        "nights": metrics_by_night(main.nights, fleets.visits),
        "by_fault": count_by_fault(pooled, fleets.visits_of(pooled.height)),
        "limit": compare_limit(fleets),
        "by_hard": alarms,
        "until_found": count_by_position(nights_until_found(main.nights)),
        "calibration": calibration_table(pooled),
        "mistaken": count_wrong_names(pooled),
        "real_by_fault": count_by_fault(weigh_as_ordinary(real)),
        "real_by_hard": count_false_alarms(real),
        "confusion": count_names(pooled),
    }
    numbers = {
        "homes": main.homes.height, "nights": max(main.nights), "pooled": pooled.height,
        "fleets": len(fleets.ordinary), "small": sum(homes.height for _, homes in fleets.small),
        "sound": int(alarms["homes"].sum()),
    }  # fmt: skip
    return tuple(
        Table(name, title, frames[name], note.format(**numbers), COLUMNS.get(name, ()))
        for name, (title, note) in NOTES.items()
    )


def compare_limit(fleets: Fleets) -> pl.DataFrame:
    """Return one row a fault, and one of all: found and named by us, and by a classifier with the truth of the circuit.

    `fault`, `homes`, `average_precision` (that fault's homes against the sound ones), `found_share`, `named_share`
    (of those found); the same with `limit_`; over the pooled homes at the same visits. `limit_missed` homes are not
    found by the limit, `limit_missed_sound` of them are called sound by us, though their data can't tell.
    """
    table = pl.concat(
        [
            limit.limit_features(fleet.truth, fleet.sites, fleet.channels)
            .join(fleet.homes.select("site_id", "fault"), on="site_id", how="inner")
            .with_columns(pooled_id(number))
            for number, fleet in enumerate(fleets.ordinary)
        ],
        how="diagonal_relaxed",
    )
    share = limit.predict_out_of_fold(table.drop("site_id", "fault"), table["fault"], fleets.seed)
    ours = fleets.pool()
    best = limit.replace_scores(ours, share, table["site_id"])
    visits = fleets.visits_of(ours.height)
    is_missed = pl.col("is_faulty") & ~pl.col("is_found")
    missed = flag_found(best, visits).filter(is_missed)
    counts = (
        pl.concat([missed.with_columns(fault=pl.lit("all")), missed])
        .group_by("fault")
        .agg(limit_missed=pl.len(), limit_missed_sound=(pl.col("verdict") == SOUND).sum())
    )
    limits = _add_precision(best, visits).drop("homes").rename(lambda name: f"limit_{name}")
    return (
        _add_precision(ours, visits)
        .join(limits, left_on="fault", right_on="limit_fault", how="left", maintain_order="left")
        .join(counts, on="fault", how="left", maintain_order="left")
        .with_columns(pl.col("limit_missed", "limit_missed_sound").fill_null(0))
        .select(
            "fault", "homes", "average_precision", "limit_average_precision", "found_share", "limit_found_share",
            "named_share", "limit_named_share", "limit_missed", "limit_missed_sound",
        )
    )  # fmt: skip


def _add_precision(homes: pl.DataFrame, visits: int | None) -> pl.DataFrame:
    """Return `count_by_fault` with a row of all first, and each fault's average precision against the sound homes."""
    metrics = compute_metrics(homes, visits)
    whole = pl.DataFrame({
        "fault": ["all"], "homes": [metrics.faulty], "average_precision": [metrics.average_precision],
        "found_share": [metrics.found_share], "named_share": [metrics.named_share],
    })  # fmt: skip
    faults = count_by_fault(homes, visits)
    precisions = [
        average_precision(homes.filter((pl.col("fault") == fault) | ~pl.col("is_faulty")))
        for fault in faults["fault"]
    ]
    faults = faults.with_columns(average_precision=pl.Series(precisions, dtype=pl.Float64))
    return pl.concat([whole, faults.select(whole.columns)], how="vertical_relaxed")
