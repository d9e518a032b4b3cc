"""From scored fleets to the tables of the validation."""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.evaluation.study_pages import Table
from pipeline.evaluation.validation import limit, metrics
from pipeline.evaluation.validation.calibration import calibration_table
from pipeline.evaluation.validation.fleets import Fleets, weigh_as_ordinary
from pipeline.evaluation.validation.metrics import ALARM_LIKELIHOOD
from pipeline.evaluation.validation.model_training import training_families
from pipeline.evaluation.validation.nights import count_by_position, metrics_by_night, nights_until_found
from pipeline.evaluation.validation.targets import check_targets, fleet_table
from pipeline.evaluation.validation.truth import TWINS_NOTE, pool_homes, pooled_id
from pipeline.scoring.model import Model

# Titles and notes in reading order; {numbers} are filled in when the tables are made.
NOTES: dict[str, tuple[str, str]] = {
    "targets": (
        "What must be shown",
        "The first night of {fleets} ordinary fleets ({pooled} homes), of fleets without a fault and of fleets of 60 "
        "homes. Met: also in the worst fleet; pooled only: by the fleets together. Names and legs are those of "
        f"suspected_fault, where sound counts as wrong; {TWINS_NOTE}.",
    ),
    "fleets": (
        "First night, by fleet",
        "One night of scoring on a window of history. Found: among as many homes as are faulty (R), or as visits "
        "allow. ECE: calibration error over 20 bins of equally many homes. Small fleets: {small} homes in fleets of "
        "60, each with its own normal. Real homes are weighted to 5.5 % faults and 15 % hard negatives.",
    ),
    "counts": (
        "What the first night says of the fleet and its crews",
        "Faulty: share of homes in truth; told: the share that likelihoods are worked out with, and its 95 % interval "
        "by the homes' own evidence. Wrong installs: faults from the first day, in truth and as told of all crews. "
        "Intervals hold: of crews, those whose true share of wrong installs lies in their 95 % interval.",
    ),
    "schooling": (
        "What the model was trained on",
        "AP, log loss and false alarms are of the family's homes by trees that were fitted without it, at the usual "
        "share of faults: what a fleet of a family that nobody has seen may get. The family streets is the simulator's "
        "own and isn't validated here.",
    ),
    "nights": (
        "The first fleet, night by night",
        "{homes} homes, {nights} nights. A fault that hasn't begun yet isn't counted.",
    ),
    "by_fault": (
        "By fault",
        "{pooled} homes of the ordinary fleets as one, at the same cut. Named and leg right are of those found; missed "
        "homes by their verdict.",
    ),
    "limit": (
        "What a classifier with the truth of the circuit could reach",
        "Same homes, same cut. It sees how each wiring truly answers to what the home's data can probe, and learns on "
        "the other homes (five folds). What it doesn't find, the data can't tell. "
        "AP of a fault: its homes against the sound. Of these sound: homes that the limit misses and we call sound, "
        "where unproven would be the word.",
    ),
    "by_hard": (
        "False alarms by kind of hard negative",
        f"Sound homes called faulty (likelihood from {ALARM_LIKELIHOOD} on), over {{sound}} sound homes, also of "
        "fleets without a fault.",
    ),
    "until_found": (
        "Nights until found, faults from the first day",
        "In the first fleet. The first night from which on the home stays suspected with the right name; a dash: fewer "
        "than half are found. In 2, any name: suspected within two nights, whatever the name.",
    ),
    "calibration": (
        "Calibration",
        "ECE over 20 bins of equally many homes, ECE wide over 10 of equal width; "
        "Brier = reliability - resolution + uncertainty but for what a bin's homes differ.",
    ),
    "mistaken": ("Wrong names", "Faulty homes by the name they go by; sound: not suspected."),
    "real_by_fault": (
        "Real measured homes: by fault",
        "Loads and PV measured, faults injected, each home with and without leg voltages; weighted to 5.5 % faults.",
    ),
    "real_by_hard": ("Real measured homes: false alarms", f"Likelihood from {ALARM_LIKELIHOOD} on."),
    "confusion": (
        "Truth and names",
        "Rows are the truth, columns the name that homes go by; homes are counted.",
    ),
}
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
    """Return the tables in reading order, the targets first."""
    main, pooled = fleets.ordinary[0], fleets.pool()
    by_fleet = fleet_table(fleets)
    real = pool_homes([homes for _, homes in fleets.real])
    alarms = metrics.count_false_alarms(
        pool_homes([fleet.homes for fleet in (*fleets.ordinary, *fleets.clean)])
    )
    frames = {
        "targets": check_targets(by_fleet),
        "fleets": by_fleet,
        "counts": by_fleet.filter(pl.col("rate").is_not_null()),
        "schooling": training_families(model),
        "nights": metrics_by_night(main.nights, fleets.visits),
        "by_fault": metrics.count_by_fault(pooled, fleets.visits_of(pooled.height)),
        "limit": compare_limit(fleets),
        "by_hard": alarms,
        "until_found": count_by_position(nights_until_found(main.nights)),
        "calibration": calibration_table(pooled),
        "mistaken": metrics.count_wrong_names(pooled),
        "real_by_fault": metrics.count_by_fault(weigh_as_ordinary(real)),
        "real_by_hard": metrics.count_false_alarms(real),
        "confusion": metrics.count_names(pooled),
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
    missed = metrics.flag_found(best, visits).filter(is_missed)
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
    row = metrics.compute_metrics(homes, visits)
    whole = pl.DataFrame([{"fault": "all"} | row | {"homes": row["faulty"]}]).select(
        "fault", "homes", "average_precision", "found_share", "named_share"
    )
    faults = metrics.count_by_fault(homes, visits)
    precisions = [
        metrics.average_precision(homes.filter((pl.col("fault") == fault) | ~pl.col("is_faulty")))
        for fault in faults["fault"]
    ]
    faults = faults.with_columns(average_precision=pl.Series(precisions, dtype=pl.Float64))
    return pl.concat([whole, faults.select(whole.columns)], how="vertical_relaxed")
