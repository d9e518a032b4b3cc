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
        "Targets",
        "First night of {fleets} ordinary fleets ({pooled} homes), of fleets without a fault, and of fleets of 60 "
        "homes. Met: the worst fleet meets it too; pooled only: all fleets together meet it, the worst one does not. A "
        f"fault or leg is named by suspected_fault, and a faulty home called sound counts as wrong; {TWINS_NOTE}.",
    ),
    "fleets": (
        "First night, by fleet",
        "One night of scoring on a window of history. Found: among the first homes by likelihood, as many as are "
        "faulty or as visits allow. Calibration error: over 20 bins of equally many homes. Small fleets: {small} homes "
        "in fleets of 60, each with its own normal values. Real homes are weighted to 5.5 % faults and 15 % hard "
        "negatives.",
    ),
    "counts": (
        "Fleet and crews on the first night",
        "Faulty, truth: share of homes with a fault. Faulty, estimated: the share that the likelihoods assume, with "
        "the 95 % interval from the homes' own data. Wrong installs: with a fault from the first day, in truth and as "
        "estimated over all crews. Crews inside: their true share of wrong installs lies in their 95 % interval.",
    ),
    "schooling": (
        "What the model was trained on",
        "Average precision, log loss and false alarms on a family's homes when the model was trained without that "
        "family, at the usual share of faults: what to expect for a kind of fleet that training has not seen. The "
        "family streets is the simulator's own and is not validated here.",
    ),
    "nights": (
        "The first fleet, night by night",
        "{homes} homes, {nights} nights. Faults that have not begun yet are not counted.",
    ),
    "by_fault": (
        "By fault",
        "{pooled} homes of the ordinary fleets as one, with as many visits. Named correctly: of those found. Missed "
        "homes by their verdict.",
    ),
    "limit": (
        "Upper limit: a classifier that knows the circuit",
        "Same homes, same visits. This classifier sees how each wiring really affects what the home's data can show, "
        "and learns on the other homes (five folds). A fault it does not find can't be found in the data. Average "
        "precision of a fault: its homes against the sound ones. Homes that the limit misses and we call sound should "
        "be called unproven.",
    ),
    "by_hard": (
        "False alarms by kind of hard negative",
        f"Sound homes with a likelihood of {ALARM_LIKELIHOOD} or more, of {{sound}} sound homes, including fleets "
        "without a fault.",
    ),
    "until_found": (
        "Nights until a fault from the first day is found",
        "First fleet. Median nights: the first night from which on the home stays suspected with the correct fault; a "
        "dash where fewer than half are found. Suspected within 2 nights: whatever the fault named.",
    ),
    "calibration": (
        "Calibration",
        "Calibration error over 20 bins of equally many homes; wide bins: 10 of equal width. Brier score = reliability "
        "- resolution + uncertainty, except for differences between the homes of a bin.",
    ),
    "mistaken": (
        "Faults named wrongly",
        "Faulty homes by the fault they are named as; no CT fault: not suspected.",
    ),
    "real_by_fault": (
        "Real measured homes, by fault",
        "Measured loads and PV, simulated faults; each home with and without leg voltages; weighted to 5.5 % faults.",
    ),
    "real_by_hard": (
        "Real measured homes: false alarms",
        f"Sound homes with a likelihood of {ALARM_LIKELIHOOD} or more.",
    ),
    "confusion": ("True fault and fault named", "Rows: the truth. Columns: the fault named. Cells: homes."),
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
