"""What the proof must show, beside what it shows: every target with met or not met, by fleet and pooled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline.evaluation.validation.conditions import CLEAN, ORDINARY, POOLED, SMALL
from pipeline.evaluation.validation.tables import percent

AVERAGE_PRECISION = 0.95
FIRST = 1.0
FOUND, NAMED, LEG = 0.89, 0.94, 0.96
CALIBRATION_ERROR, SMALL_CALIBRATION_ERROR = 0.015, 0.03
SUSPECTS_1000, LISTED_1000 = 5.0, 3.0
REACHES = 0.005  # a fleet without faults: its rate's interval reaches down to this
CREWS_HELD = 0.92
SMALL_RIGHT = 0.9
MET, PARTLY, NOT_MET = "met", "pooled only", "not met"
Write = Callable[[float], str]


def _score(value: float) -> str:
    return f"{value:.4f}"


def _count(value: float) -> str:
    return f"{value:.1f}"


# Of ordinary fleets: heading, column of `conditions`, wanted, whether it is a least, how it is written.
_OF_FLEETS: tuple[tuple[str, str, float, bool, Write], ...] = (
    ("average precision", "average_precision", AVERAGE_PRECISION, True, _score),
    ("faulty among the first 2.5 % (50 of 2,000)", "first_share", FIRST, True, percent),
    ("found among the first R", "found_share", FOUND, True, percent),
    ("named right, of those found", "named_share", NAMED, True, percent),
    ("leg right, of those found", "leg_share", LEG, True, percent),
    ("calibration error", "ece", CALIBRATION_ERROR, False, _score),
    ("sound homes suspect, of 1,000", "sound_suspects_1000", SUSPECTS_1000, False, _count),
)
_OF_SMALL: tuple[tuple[str, str, float, bool, Write], ...] = (
    ("60 homes: calibration error", "ece", SMALL_CALIBRATION_ERROR, False, _score),
    ("60 homes: suspects that are faulty", "suspects_right_share", SMALL_RIGHT, True, percent),
)


def targets(conditions: pl.DataFrame) -> pl.DataFrame:
    """Return one row a target: `target`, `wanted`, `pooled`, `worst`, `worst_fleet`, `is_met`, `met`.

    `conditions` is the table by fleet. `is_met` where the worst fleet meets it; `met` is "met", "pooled only" where
    the fleets do together and the worst doesn't, or "not met". Crews' intervals are asked for over all fleets only.
    """
    rows = [_row(conditions, ORDINARY, *target) for target in _OF_FLEETS]
    rows += [_row(conditions, SMALL, *target) for target in _OF_SMALL]
    clean = conditions.filter(pl.col("kind") == CLEAN)
    rows.append(
        _row(conditions, CLEAN, "no fault: homes listed, of 1,000", "listed_1000", LISTED_1000, False, _count)
    )
    rows.append(
        _row(
            conditions,
            CLEAN,
            "no fault: the rate's interval reaches down",
            "rate_low",
            REACHES,
            False,
            percent,
        )
    )
    rows.append(_row(conditions, CLEAN, "no fault: crews that stand out", "stand_out", 0.0, False, _count))
    rows.append(_crews(pl.concat([conditions.filter(pl.col("kind") == ORDINARY), clean])))
    return pl.DataFrame(rows, infer_schema_length=None).with_columns(pl.col("is_met").fill_null(False))


def _row(
    conditions: pl.DataFrame, kind: str, target: str, column: str, wanted: float, is_least: bool, write: Write
) -> dict[str, Any]:
    here = conditions.filter(pl.col("kind") == kind).select("fleet", value=pl.col(column).cast(pl.Float64))
    known = here.filter(pl.col("value").is_not_nan() & pl.col("value").is_not_null())
    if known.height < max(here.height, 1):  # a fleet that can't tell doesn't meet it
        odd = here.filter(pl.col("value").is_nan() | pl.col("value").is_null())
        fleet = odd["fleet"][0] if odd.height else "no such fleet"
        return _told(target, wanted, is_least, write, None, None, fleet)
    worst = known.sort("value", "fleet", descending=[not is_least, False]).row(0, named=True)
    whole = _pooled(conditions, kind, column, known)
    return _told(target, wanted, is_least, write, whole, worst["value"], worst["fleet"])


def _pooled(conditions: pl.DataFrame, kind: str, column: str, known: pl.DataFrame) -> float | None:
    """Return the value of the fleets together: of the pooled row, or the mean of the clean fleets."""
    if kind == CLEAN:
        return float(known["value"].mean()) if column == "listed_1000" else None  # type: ignore[arg-type]
    if known.height == 1:
        return float(known["value"][0])
    name = "ordinary, pooled" if kind == ORDINARY else "small fleets, pooled"
    row = conditions.filter((pl.col("kind") == POOLED) & (pl.col("fleet") == name))
    return float(row[column][0]) if row.height and row[column][0] is not None else None


def _crews(fleets: pl.DataFrame) -> dict[str, Any]:
    held, crews = int(fleets["crews_held"].sum()), int(fleets["crews"].sum())
    worst = fleets.sort("crews_held_share", "fleet").row(0, named=True)
    share = held / crews if crews else None
    row = _told(
        f"crews' 95 % intervals that hold ({held} of {crews})", CREWS_HELD, True, percent, share,
        worst["crews_held_share"], worst["fleet"],
    )  # fmt: skip
    is_met = share is not None and share >= CREWS_HELD
    return row | {"is_met": is_met, "met": MET if is_met else NOT_MET}


def _told(
    target: str,
    wanted: float,
    is_least: bool,
    write: Write,
    whole: float | None,
    worst: float | None,
    fleet: str,
) -> dict[str, Any]:
    asked = f"{wanted}" if write is _score else f"{wanted:g}" if write is _count else percent(wanted)

    def meets(value: float | None) -> bool:
        return value is not None and (value >= wanted if is_least else value <= wanted)

    met = MET if meets(worst) else PARTLY if meets(whole) else NOT_MET
    return {
        "target": target,
        "wanted": f"{'>=' if is_least else '<='} {asked}",
        "pooled": "–" if whole is None else write(whole),
        "worst": "–" if worst is None else write(worst),
        "worst_fleet": fleet,
        "is_met": met == MET,
        "met": met,
    }
