"""From scored fleets to the tables of the proof."""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.evaluation.validation import limit
from pipeline.evaluation.validation.calibration import calibration
from pipeline.evaluation.validation.conditions import conditions
from pipeline.evaluation.validation.found import Found, as_ordinary, pooled
from pipeline.evaluation.validation.judged import pool
from pipeline.evaluation.validation.measure import (
    Marks,
    at_cut,
    average_precision,
    by_fault,
    confusion,
    false_alarms,
    marks,
    mistaken,
)
from pipeline.evaluation.validation.nights import by_night, by_position, nights_until_found
from pipeline.evaluation.validation.notes import NOTES
from pipeline.evaluation.validation.schooling import schooling
from pipeline.evaluation.validation.tables import COUNTS_SHOWN, FLEETS_SHOWN, NIGHTS_SHOWN, Table
from pipeline.evaluation.validation.targets import targets
from pipeline.scoring.model import Model

EACH = (
    "homes",
    "found",
    "found_share",
    "low",
    "high",
    "named_share",
    "leg_share",
    "missed_unproven",
    "missed_sound",
)


def tables(found: Found, model: Model) -> tuple[Table, ...]:
    """Return the tables in reading order, the targets first; `notes` has their titles and notes."""
    whole = pooled(found)
    fleets = conditions(found)
    positions = by_position(nights_until_found(found.main.seen))
    first = marks(found.main.last, found.visits)
    real = pool([judged for _, judged in found.real])
    alarms = false_alarms(pool([fleet.last for fleet in (*found.ordinary, *found.clean)]))
    frames: dict[str, tuple[pl.DataFrame, tuple[str, ...]]] = {
        "targets": (targets(fleets), ("target", "wanted", "pooled", "worst", "worst_fleet", "met")),
        "fleets": (fleets, FLEETS_SHOWN),
        "counts": (fleets.filter(pl.col("rate").is_not_null()), COUNTS_SHOWN),
        "schooling": (schooling(model), ()),
        "nights": (by_night(found.main.seen, found.visits), NIGHTS_SHOWN),
        "by_fault": (by_fault(whole, found.cut_of(whole.height)), ("fault", *EACH)),
        "limit": (limits(found), ()),
        "by_hard": (alarms, ()),
        "until_found": (positions, ()),
        "calibration": (calibration(whole), ()),
        "mistaken": (mistaken(whole), ()),
        "real_by_fault": (by_fault(as_ordinary(real)), ("fault", *EACH)),
        "real_by_hard": (false_alarms(real), ()),
        "confusion": (confusion(whole), ()),
    }
    small = sum(judged.height for _, judged in found.small)
    told = {
        "homes": first.homes, "faulty": first.faulty, "nights": max(found.main.seen), "pooled": whole.height,
        "fleets": len(found.ordinary), "small": small, "sound": int(alarms["homes"].sum()),
    }  # fmt: skip
    return tuple(
        Table(name, title, frames[name][0], note.format(**told), frames[name][1])
        for name, (title, note) in NOTES.items()
    )


def limits(found: Found) -> pl.DataFrame:
    """Return one row a fault, and one of all: found and named by us, and by a classifier with the truth of the circuit.

    `fault`, `homes`, `average_precision` (that fault's homes against the sound ones), `found_share`, `named_share`
    (of those found); the same with `limit_`; over the pooled homes at the same cut. `limit_missed` homes are not found
    by the limit, `limit_missed_sound` of them are called sound by us, though their data can't tell.
    """
    fleets = found.ordinary
    parts = [
        limit.features(fleet.truth, fleet.sites, fleet.carries)
        .join(fleet.last.select("site_id", "fault"), on="site_id", how="inner")
        .with_columns(site_id=pl.format("{}/{}", pl.lit(at), "site_id"))
        for at, fleet in enumerate(fleets)
    ]
    told = pl.concat(parts, how="diagonal_relaxed")
    share = limit.out_of_fold(told.drop("site_id", "fault"), told["fault"], found.seed)
    ours = pooled(found)
    best = limit.beside(ours, share, told["site_id"])
    cut = found.cut_of(ours.height)
    of_ours, of_best = (_with_ap(judged, cut) for judged in (ours, best))
    missed = (
        at_cut(best, cut)
        .filter(pl.col("is_faulty") & ~pl.col("is_found"))
        .group_by("fault")
        .agg(limit_missed=pl.len(), limit_missed_sound=(pl.col("verdict") == SOUND).sum())
    )
    whole = missed.select(pl.lit("all").alias("fault"), pl.exclude("fault").sum())
    renamed = of_best.drop("homes").rename(lambda name: name if name == "fault" else f"limit_{name}")
    counted = pl.concat([missed, whole])
    table = of_ours.join(renamed, on="fault", how="left", maintain_order="left")
    return (
        table.join(counted, on="fault", how="left", maintain_order="left")
        .with_columns(pl.col("limit_missed", "limit_missed_sound").fill_null(0))
        .select(
            "fault", "homes", "average_precision", "limit_average_precision", "found_share", "limit_found_share",
            "named_share", "limit_named_share", "limit_missed", "limit_missed_sound",
        )
    )  # fmt: skip


def _with_ap(judged: pl.DataFrame, visits: int | None) -> pl.DataFrame:
    each = by_fault(judged, visits)
    scores = []
    for fault in each["fault"]:
        some = judged.filter((pl.col("fault") == fault) | ~pl.col("is_faulty"))
        scores.append(_ap(some))
    whole: Marks = marks(judged, visits)
    all_faults = pl.DataFrame({
        "fault": ["all"], "homes": [whole.faulty], "average_precision": [whole.average_precision],
        "found_share": [whole.found_share], "named_share": [whole.named_share],
    })  # fmt: skip
    named = each.with_columns(average_precision=pl.Series(scores, dtype=pl.Float64))
    return pl.concat([all_faults, named.select(all_faults.columns)], how="vertical_relaxed")


def _ap(judged: pl.DataFrame) -> float:
    return average_precision(
        judged["likelihood"].to_numpy(), judged["is_faulty"].to_numpy(), judged["weight"].to_numpy()
    )
