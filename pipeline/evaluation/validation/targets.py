"""What the validation must show, beside what it shows: every target with met or not met, by fleet and pooled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import polars as pl

from pipeline.evaluation.study_pages import percent
from pipeline.evaluation.validation.fleet_table import CLEAN, ORDINARY, POOLED_LABELS, SMALL

MET, PARTLY, NOT_MET = "met", "pooled only", "not met"


def _score(value: float) -> str:
    return f"{value:.4f}"


def _count(value: float) -> str:
    return f"{value:.1f}"


class Target(NamedTuple):
    """A target of the fleets of a kind: a column of `fleet_table`, a least or most `threshold`, how it is written."""

    kind: str
    title: str
    column: str
    threshold: float
    is_least: bool
    write: Callable[[float], str]

    def is_met(self, value: float | None) -> bool:
        """Return whether a value meets it; one that isn't known doesn't."""
        return value is not None and (value >= self.threshold if self.is_least else value <= self.threshold)


TARGETS = (
    Target(ORDINARY, "average precision", "average_precision", 0.95, True, _score),
    Target(ORDINARY, "faulty among the first 2.5 % (50 of 2,000)", "first_share", 1.0, True, percent),
    Target(ORDINARY, "found among the first R", "found_share", 0.89, True, percent),
    Target(ORDINARY, "named right, of those found", "named_share", 0.94, True, percent),
    Target(ORDINARY, "leg right, of those found", "leg_share", 0.96, True, percent),
    Target(ORDINARY, "calibration error", "ece", 0.015, False, _score),
    Target(ORDINARY, "sound homes suspect, of 1,000", "sound_suspects_1000", 5.0, False, _count),
    Target(SMALL, "60 homes: calibration error", "ece", 0.03, False, _score),
    Target(SMALL, "60 homes: suspects that are faulty", "suspects_right_share", 0.9, True, percent),
    Target(CLEAN, "no fault: homes listed, of 1,000", "listed_1000", 3.0, False, _count),
    Target(CLEAN, "no fault: the rate's interval reaches down", "rate_low", 0.005, False, percent),
    Target(CLEAN, "no fault: crews that stand out", "stand_out", 0.0, False, _count),
)
CREWS_HELD_SHARE = 0.92


def check_targets(fleets: pl.DataFrame) -> pl.DataFrame:
    """Return one row a target: `target`, `wanted`, `pooled`, `worst`, `worst_fleet`, `is_met`, `met`.

    `fleets` is `fleet_table`. `is_met` where the worst fleet meets it; `met` is "met", "pooled only" where
    the fleets do together and the worst doesn't, or "not met". Crews' intervals are asked for over all fleets only.
    """
    return pl.DataFrame([*(_row(fleets, target) for target in TARGETS), _crews(fleets)])


def _row(fleets: pl.DataFrame, target: Target) -> dict[str, Any]:
    value = pl.col(target.column).cast(pl.Float64).fill_nan(None)
    values = fleets.select("kind", "fleet", value=value)
    of_kind = values.filter(pl.col("kind") == target.kind)
    unknown = of_kind.filter(pl.col("value").is_null())
    if unknown.height or not of_kind.height:  # a fleet that can't tell doesn't meet it
        fleet = unknown["fleet"][0] if unknown.height else "no such fleet"
        return _written(target, None, None, fleet=fleet)
    worst = of_kind.sort("value", "fleet", descending=[not target.is_least, False]).row(0, named=True)
    pooled = values.filter(pl.col("fleet") == POOLED_LABELS.get(target.kind, ""))["value"]
    if target.column == "listed_1000":
        pooled = of_kind.select(pl.col("value").mean())["value"]
    elif target.kind != CLEAN and of_kind.height == 1:
        pooled = of_kind["value"]
    return _written(target, pooled[0] if pooled.len() else None, worst["value"], fleet=worst["fleet"])


def _crews(fleets: pl.DataFrame) -> dict[str, Any]:
    asked = fleets.filter(pl.col("kind").is_in([ORDINARY, CLEAN]))
    held, crews = int(asked["crews_held"].sum()), int(asked["crews"].sum())
    worst = asked.sort("crews_held_share", "fleet").row(0, named=True)
    share = held / crews if crews else None
    title = f"crews' 95 % intervals that hold ({held} of {crews})"
    target = Target("", title, "crews_held_share", CREWS_HELD_SHARE, True, percent)
    is_met = target.is_met(share)
    row = _written(target, share, worst["crews_held_share"], fleet=worst["fleet"])
    return row | {"is_met": is_met, "met": MET if is_met else NOT_MET}


def _written(target: Target, pooled: float | None, worst: float | None, *, fleet: str) -> dict[str, Any]:
    met = MET if target.is_met(worst) else PARTLY if target.is_met(pooled) else NOT_MET
    threshold = percent(target.threshold) if target.write is percent else f"{target.threshold:g}"
    return {
        "target": target.title,
        "wanted": f"{'>=' if target.is_least else '<='} {threshold}",
        "pooled": "–" if pooled is None else target.write(pooled),
        "worst": "–" if worst is None else target.write(worst),
        "worst_fleet": fleet,
        "is_met": met == MET,
        "met": met,
    }
