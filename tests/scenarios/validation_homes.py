"""Homes for tests of the validation: scores and truth in one line each."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import polars as pl

from pipeline.core.contract import FAULTS, SOUND
from pipeline.evaluation.validation.truth import join_truth

LAST = date(2026, 6, 14)
# of a right circuit upstream of its PV
WITNESSES = {
    "witness_pv_l1": -0.5, "witness_pv_l2": -0.5, "witness_load_l1": 1.0, "witness_load_l2": 1.0,
    "witness_cross_l1": 0.0, "witness_cross_l2": 0.0, "witness_pair": 0.0, "witness_offset_l1_w": 0.0,
    "witness_offset_l2_w": 0.0, "witness_alive_l1": 1.0, "witness_alive_l2": 1.0,
}  # fmt: skip
# likelihood, truth, its leg, name, leg of the name, hard negative
Home = tuple[float, str, str | None, str, str | None, str | None]


def scores_of(homes: Sequence[Home]) -> pl.DataFrame:
    """site_scores of these homes; what is not said of a likelihood is shared by the other faults."""
    rows = []
    for number, (likelihood, _, _, named, leg, _) in enumerate(homes):
        top = named if named != SOUND else "dead"
        other = 0.1 * likelihood / (len(FAULTS) - 1)
        shares = {name: 0.9 * likelihood if name == top else other for name in FAULTS}
        rows.append({
            "site_id": f"h{number:03d}", "likelihood": likelihood, "leg": leg, "likely_leg": leg,
            "suspected_fault": None if named == SOUND else named, "likely_fault": top,
            "ct_verdict": "suspect" if likelihood >= 0.5 else "unproven" if likelihood >= 0.2 else "sound",
            "fault_likelihoods": {**shares, SOUND: 1 - likelihood},
        })  # fmt: skip
    return pl.DataFrame(rows, schema_overrides={"leg": pl.String, "likely_leg": pl.String})


def truth_of(homes: Sequence[Home], onset_in_days: dict[int, int] | None = None) -> pl.DataFrame:
    """Their truth; `onset_in_days` home -> days before LAST (negative: after) on which its fault began."""
    onset = {number: LAST - timedelta(days=days) for number, days in (onset_in_days or {}).items()}
    return pl.DataFrame(
        [(f"h{n:03d}", fault, leg, onset.get(n), hard, True) for n, (_, fault, leg, _, _, hard) in enumerate(homes)],
        schema={"site_id": pl.String, "fault": pl.String, "leg": pl.String, "onset_on": pl.Date,
                "hard_negative": pl.String, "sees_pv_true": pl.Boolean},
        orient="row",
    )  # fmt: skip


def scored_homes(
    homes: Sequence[Home], has_volts: bool = True, onset_in_days: dict[int, int] | None = None
) -> pl.DataFrame:
    """`join_truth`'s homes as of LAST."""
    truth = truth_of(homes, onset_in_days)
    channels = truth.select("site_id", has_volts=pl.lit(has_volts))
    return join_truth(scores_of(homes), truth, channels, as_of=LAST)
