"""What speaks for a right install: the pieces of evidence that no fault owns."""

from __future__ import annotations

import polars as pl

from pipeline.fault import Piece
from pipeline.match import above, below, inside, near, negative, only_if, positive


def _gain_as_declared(leg: str) -> pl.Expr:
    return near(f"gain_{leg}", pl.col("expected_gain"), f"gain_{leg}_se", tolerance=0.09)


PIECES: tuple[Piece, ...] = (
    Piece(
        "gain_as_declared",
        "Answers the sun as a right install does",
        ("gain_l1", "gain_l1_se", "gain_l2", "gain_l2_se", "expected_gain", "service"),
        {
            "both": _gain_as_declared("l1")
            * pl.when(pl.col("service") == "single").then(1.0).otherwise(_gain_as_declared("l2"))
        },
        "slope on PV {slope_l1:+.2f} / {slope_l2:+.2f} W per W, right is {slope_expected:+.2f}",
    ),
    Piece(
        "sum_as_declared",
        "Both legs together answer the sun as a right install does",
        ("gain_sum", "gain_sum_se", "expected_gain"),
        {"both": near("gain_sum", pl.col("expected_gain"), "gain_sum_se", tolerance=0.08)},
        "slope of both legs on PV {slope_sum:+.2f} W per W",
    ),
    Piece(
        "nights_positive",
        "Positive all night",
        ("night_l1_negative_share", "night_l2_negative_share", "nights"),
        {
            "both": only_if(
                pl.col("nights") > 0,
                below(
                    pl.max_horizontal(
                        "night_l1_negative_share", pl.col("night_l2_negative_share").fill_null(0.0)
                    ),
                    0.01,
                    0.004,
                ),
            )
        },
        "negative in {night_l1_negative_share:.0%} / {night_l2_negative_share:.0%} of night intervals",
    ),
    Piece(
        "sag_ordinary",
        "Each leg's voltage sags with its own reading",
        ("sag_l1_z", "sag_l2_z"),
        {"both": negative("sag_l1_z") * positive("sag_l2_z")},
        "V1 - V2 moves by {sag_l1:+.2f} V per kW of L1 and {sag_l2:+.2f} of L2; right is - and +",
    ),
    Piece(
        "sag_even",
        "Both legs' voltages sag alike for each watt read",
        ("sag_log_ratio", "sag_log_se", "service"),
        {
            "both": only_if(
                pl.col("service") == "120/240",
                near("sag_log_ratio", 0.0, "sag_log_se", tolerance=0.08, se_max=0.3),
            )
        },
        "V1 - V2 moves by {sag_l1:+.2f} V per kW of L1 and {sag_l2:+.2f} of L2",
    ),
    Piece(
        "pairs_even",
        "240 V loads step both legs alike",
        ("pair_n", "pair_log_ratio", "pair_opposite_share", "service"),
        {
            "both": only_if(
                (pl.col("pair_n") >= 15) & (pl.col("service") == "120/240"),
                inside("pair_log_ratio", -0.24, 0.24, 0.04) * below("pair_opposite_share", 0.3, 0.06),
            )
        },
        "{pair_n:.0f} simultaneous big steps: L2 steps exp({pair_log_ratio:+.2f}) times L1",
    ),
    Piece(
        "meter_agrees",
        "Agrees with the utility meter",
        ("meter_r2", "meter_gain_l1", "meter_gain_l2", "meter_share"),
        {
            "both": only_if(
                pl.col("meter_share") > 0.5,
                above("meter_r2", 0.95, 0.012)
                * inside("meter_gain_l1", 0.86, 1.15, 0.013)
                * inside("meter_gain_l2", 0.86, 1.15, 0.013).fill_null(1.0),
            )
        },
        "against the utility meter L1 reads {meter_gain_l1:.2f} and L2 {meter_gain_l2:.2f} of the truth",
    ),
    Piece(
        "never_negative",
        "Never negative by day either, as a clamp at the loads must be",
        ("day_l1_negative_share", "day_l2_negative_share"),
        {
            "both": only_if(
                pl.col("day_l1_negative_share").is_not_null(),
                below(pl.max_horizontal("day_l1_negative_share", "day_l2_negative_share"), 0.01, 0.004),
            )
        },
        "negative in {day_l1_negative_share:.1%} / {day_l2_negative_share:.1%} of daytime intervals",
    ),
    Piece(
        "held_at_zero",
        "Held at about zero by day, as a battery does",
        ("balanced_share", "tiny_l1_share", "mirror_day_share"),
        {
            "both": above("balanced_share", 0.3, 0.05)
            * below("tiny_l1_share", 0.6, 0.05)
            * below("mirror_day_share", 0.75, 0.04)
        },
        "the legs sum to about zero in {balanced_share:.0%} of sunny intervals",
    ),
    Piece(
        "hidden_battery",
        "The legs hover around zero together by night, as a battery makes them",
        ("night_sum_w", "night_sum_negative_share", "tiny_l1_share", "mirror_day_share", "nights"),
        {
            "both": only_if(
                pl.col("nights") > 0,
                below(pl.col("night_sum_w").abs(), 60.0, 15.0)
                * above("night_sum_negative_share", 0.02, 0.005)
                * below("tiny_l1_share", 0.6, 0.05)
                * below("mirror_day_share", 0.75, 0.04),
            )
        },
        "the legs sum to {night_sum_w:.0f} W by night",
    ),
    Piece(
        "sum_rests_at_zero",
        "A leg goes negative by night but the legs' sum rests at zero and no lower, as a battery holds it",
        (
            "night_sum_low_w",
            "night_sum_negative_share",
            "night_l1_negative_share",
            "night_l2_negative_share",
            "tiny_l1_share",
            "mirror_day_share",
            "nights",
        ),
        {
            "both": only_if(
                (pl.col("nights") > 0)
                & (pl.max_horizontal("night_l1_negative_share", "night_l2_negative_share") > 0.004),
                below(pl.col("night_sum_low_w").abs(), 14.0, 4.0)
                * below("night_sum_negative_share", 0.06, 0.015)
                * below("tiny_l1_share", 0.6, 0.05)
                * below("mirror_day_share", 0.75, 0.04),
            )
        },
        "by night the legs' sum goes down to {night_sum_low_w:.0f} W and no lower",
    ),
)
