"""From scored fleets to the tables of the proof."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import polars as pl

from pipeline.contract import SOUND
from pipeline.proof import limit
from pipeline.proof.calibration import calibration
from pipeline.proof.fleets import Fleet
from pipeline.proof.judged import as_if, pool
from pipeline.proof.measure import (
    ALARM,
    Marks,
    at_cut,
    average_precision,
    by_fault,
    confusion,
    false_alarms,
    marks,
    mistaken,
)
from pipeline.proof.nights import by_night, by_position, nights_until_found
from pipeline.proof.notes import NOTES
from pipeline.proof.tables import MARKS_SHOWN, Table
from pipeline.proof.targets import targets

# Shares of an ordinary fleet: what fleets of many faults are weighted back to.
FAULT_SHARE, HARD_SHARE = 0.05, 0.15
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


@dataclass(frozen=True)
class Found:
    """All scored fleets: `main` the ordinary one, `many` with many faults, `others` in other conditions, `real` homes.

    `real` holds the homes of real measurements with and without leg voltages, `visits` the cut of the ordinary fleet
    (None: as many as are faulty).
    """

    main: Fleet
    many: Sequence[Fleet]
    others: Sequence[Fleet]
    real: Sequence[tuple[str, pl.DataFrame]]
    visits: int | None = None
    seed: int = 1

    def cut_of(self, homes: int) -> int | None:
        """Return the visits of a fleet of so many homes, in proportion to the ordinary fleet's."""
        return None if self.visits is None else max(1, round(self.visits * homes / self.main.last.height))


def as_ordinary(judged: pl.DataFrame) -> pl.DataFrame:
    """Return the homes weighted as in an ordinary fleet."""
    return as_if(judged, FAULT_SHARE, HARD_SHARE)


def pooled(found: Found) -> pl.DataFrame:
    """Return the homes of the ordinary fleet and those with many faults (15 minutes, 30 nights) as one, weighted."""
    return as_ordinary(pool([found.main.last, *(fleet.last for fleet in found.many)]))


def tables(found: Found) -> tuple[Table, ...]:
    """Return the tables in reading order, the targets first; `notes` has their titles and notes."""
    whole = pooled(found)
    alarms = false_alarms(whole)
    until = pl.concat(nights_until_found(fleet.seen) for fleet in (found.main, *found.many))
    positions = by_position(until)
    ordinary = marks(found.main.last, found.visits)
    nights = by_night(found.main.seen, found.visits)
    real = pool([judged for _, judged in found.real])
    frames: dict[str, tuple[pl.DataFrame, tuple[str, ...]]] = {
        "targets": (targets(ordinary, alarms, positions), ("target", "wanted", "measured", "met")),
        "fleets": (conditions(found), ("fleet", *MARKS_SHOWN)),
        "nights": (nights, ("nights", *MARKS_SHOWN[1:])),
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
    told = {"homes": ordinary.homes, "faulty": ordinary.faulty, "cut": ordinary.cut, "pooled": whole.height}
    told["nights"] = max(found.main.seen)
    return tuple(
        Table(name, title, frames[name][0], note.format(**told), frames[name][1])
        for name, (title, note) in NOTES.items()
    )


def conditions(found: Found) -> pl.DataFrame:
    """Return one row a fleet with its marks and the share of its sound homes that are called faulty."""
    rows = [_condition(found.main.label, found.main.last, found.visits)]
    weighted = [(fleet.label, fleet.last) for fleet in (*found.many, *found.others)]
    for label, judged in (*weighted, *found.real):
        rows.append(_condition(label, as_ordinary(judged), found.cut_of(judged.height)))
    return pl.DataFrame(rows)


def _condition(label: str, judged: pl.DataFrame, visits: int | None) -> dict[str, object]:
    sound = judged.filter(~pl.col("is_faulty"))
    weight = sound["weight"].to_numpy()
    alarms = float(weight[(sound["likelihood"] >= ALARM).to_numpy()].sum() / max(weight.sum(), 1e-9))
    return {"fleet": label, **asdict(marks(judged, visits)), "alarm_share": alarms}


def limits(found: Found) -> pl.DataFrame:
    """Return one row a fault, and one of all: found and named by us, and by a classifier with the truth of the circuit.

    `fault`, `homes`, `average_precision` (that fault's homes against the sound ones), `found_share`, `named_share`
    (of those found); the same with `limit_`; over the pooled homes at the same cut. `limit_missed` homes are not found
    by the limit, `limit_missed_sound` of them are called sound by us, though their data can't tell.
    """
    fleets = [found.main, *found.many]
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
