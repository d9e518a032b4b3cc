"""What the proof must show, beside what it shows: every target with met or not met."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from pipeline.proof.measure import Marks
from pipeline.proof.nights import SOON
from pipeline.proof.tables import percent

AVERAGE_PRECISION = 0.97
FOUND = 0.93
NAMED, LEG = 0.95, 0.99
CALIBRATION_ERROR = 0.02
ALARMS_A_KIND = 0.01
SOON_FAULTS = ("reversed", "legs_crossed", "dead")
SOON_SHARE = FOUND  # "found within 2 nights" is asked of as large a share as "found" is


def _score(value: float) -> str:
    return f"{value:.4f}"


def targets(ordinary: Marks, alarms: pl.DataFrame, by_position: pl.DataFrame) -> pl.DataFrame:
    """Return one row a target: `target`, `wanted`, `measured`, `is_met`, `met` ("met" or "not met").

    Parameters
    ----------
    ordinary
        Of the fleet of 30 nights, 15 minutes and 5 % faults.
    alarms
        `measure.false_alarms` over all homes of hard negatives; a kind meets its target by its share.
    by_position
        `nights.by_position` of faults that were there from the first day.
    """
    worst_ece = max(ordinary.ece, ordinary.ece_wide)
    rows = [
        _at_least("average precision", ordinary.average_precision, AVERAGE_PRECISION, _score),
        _at_least(f"faulty among the first {ordinary.first}", ordinary.first_share, 1.0),
        _at_least(f"found among the first {ordinary.cut}", ordinary.found_share, FOUND),
        _at_least("named right, of those found", ordinary.named_share, NAMED),
        _at_least("leg right, of those found", ordinary.leg_share, LEG),
        (
            "calibration error (worse of two binnings)", f"<= {CALIBRATION_ERROR}", _score(worst_ece),
            worst_ece <= CALIBRATION_ERROR,
        ),
    ]  # fmt: skip
    for row in alarms.filter(pl.col("kind") != "plain sound home").to_dicts():
        told = f"{percent(row['share'])} ({row['alarms']} of {row['homes']})"
        is_met = row["share"] <= ALARMS_A_KIND
        rows.append((f"false alarms: {row['kind']}", f"<= {percent(ALARMS_A_KIND)}", told, is_met))
    for fault in SOON_FAULTS:
        of = by_position.filter((pl.col("fault") == fault) & (pl.col("position") == "upstream")).to_dicts()
        share = of[0]["soon_share"] if of else float("nan")
        told = f"{percent(share)} of {of[0]['homes']}" if of else "no such home"
        what = f"{fault} upstream found within {SOON} nights"
        rows.append((what, f">= {percent(SOON_SHARE)}", told, share >= SOON_SHARE))
    table = pl.DataFrame(rows, schema=["target", "wanted", "measured", "is_met"], orient="row")
    return table.with_columns(met=pl.when("is_met").then(pl.lit("met")).otherwise(pl.lit("not met")))


def _at_least(
    target: str, measured: float, wanted: float, write: Callable[[float], str] = percent
) -> tuple[str, str, str, bool]:
    asked = write(wanted) if write is percent else f"{wanted}"
    return target, f">= {asked}" if wanted < 1 else asked, write(measured), measured >= wanted
