"""One leg against the other: leaks, mirrored or copied legs, 240 V steps, and voltage sag."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from pipeline.probes import leg_sentences
from pipeline.probes.probe import Probe, Quantity, column, columns_of_lines, leg_quantity, pair_quantity

FEWEST_STEPS = 15


def _steps_share(name: str) -> Callable[[str], pl.Expr]:
    """Return a share of the night's steps, null where they are too few."""
    return lambda _: pl.when(pl.col("active_steps") >= FEWEST_STEPS).then(pl.col(name))


def _night_level_difference(statistic: str, sign: float) -> Quantity:
    """Return how far the legs' night levels are from cancelling (sign +1) or from being the same (sign -1)."""
    l1_w, l2_w = pl.col(f"night_l1_{statistic}"), pl.col(f"night_l2_{statistic}")
    difference = (l1_w + sign * l2_w).abs() / pl.max_horizontal(l1_w.abs(), l2_w.abs(), pl.lit(20.0))
    name = ("cancel" if sign > 0 else "equal") + "_" + statistic.removesuffix("_w").replace("w", "middle")
    value = pl.when(l2_w.is_not_null()).then(difference)
    return Quantity(name, lambda _: value, wrong="low", floor=0.01, scope="pair")


def _own_sag(template: str) -> Callable[[str], pl.Expr]:
    """Return a leg's sag so that positive is right on both legs: L1 pulls V1 - V2 down, L2 up."""
    return lambda leg: pl.col(template.format(leg)) * (-1.0 if leg == "l1" else 1.0)


# What a leg copies of the other leg's steps, as leads that run side by side do.
LEAKS = Probe(
    "leaks",
    "Crosstalk between legs",
    (
        Quantity("leak", column("leak_{}"), "leg", column("leak_{}_se"), wrong="both", unit="W/W", floor=0.004,
                 decides=1.0),
        leg_quantity("leak_error", "leak_{}_se", unit="W/W", is_compared=False),
        Quantity("least", lambda leg: pl.col(f"leak_least_{leg}").abs(), "leg", wrong="high", unit="W/W",
                 floor=0.002),
    ),
    leg_sentences.tell_leaks,
    columns_of_lines("leak_{}", "leak_{}_se"),
    pl.col("leak_l1").is_not_null() | pl.col("leak_l2").is_not_null(),
    label_of_three="Crosstalk between lines",
)  # fmt: skip

# Two CTs around one conductor.
MIRROR = Probe(
    "mirror",
    "L1 against L2",
    (
        pair_quantity("leg_corr_night"),
        pair_quantity("leg_corr_day"),
        pair_quantity("step_corr_night"),
        pair_quantity("step_corr_day"),
        pair_quantity("step_gain", "leg_gain_night"),
        Quantity("equal_share", _steps_share("equal_share"), wrong="high", decides=0.9, scope="pair"),
        Quantity("mirror_share", _steps_share("mirror_share"), wrong="high", decides=0.9, scope="pair"),
        pair_quantity("equal_day_share", wrong="high"),
        pair_quantity("mirror_day_share", wrong="high"),
        pair_quantity("steps", "active_steps", is_compared=False),
        pair_quantity("day_steps", "active_day_steps", is_compared=False),
        *(_night_level_difference(statistic, sign) for statistic in ("low_w", "w", "high_w") for sign in (-1.0, 1.0)),
    ),
    leg_sentences.tell_mirror,
    leg_sentences.columns_of_pairs("mirror_share", "equal_share", "active_steps"),
    (pl.col("active_steps").fill_null(0) > 5) & pl.col("zero_l2_share").is_not_null(),  # one line has no other
    count=(pl.col("active_steps").cast(pl.Float64), "night steps"),
    label_of_three="One line against another",
)  # fmt: skip

# 240 V loads: both legs step at once by the same amount.
PAIRS = Probe(
    "pairs",
    "240 V loads",
    (
        Quantity("log_ratio", column("pair_log_ratio"), "contrast", column("pair_log_se"), wrong="high", floor=0.01),
        pair_quantity("log_ratio_error", "pair_log_se", is_compared=False),
        pair_quantity("opposite_share", "pair_opposite_share", "high"),
        pair_quantity("steps", "pair_n", is_compared=False),
    ),
    leg_sentences.tell_pairs,
    leg_sentences.columns_of_pairs("pair_log_ratio", "pair_opposite_share", "pair_n"),
    pl.col("pair_n").fill_null(0) > 5,
    count=(pl.col("pair_n").cast(pl.Float64), "steps"),
    label_of_three="Loads on two or three lines",
)  # fmt: skip

# Which leg a CT is really on, by what its own voltage does.
SAG = Probe(
    "sag",
    "Voltage sag",
    (
        Quantity("own_z", _own_sag("sag_{}_z"), "leg", wrong="low", unit="se", scope="pair"),
        Quantity("own_v", _own_sag("sag_{}"), "leg", unit="V/kW", scope="pair"),
        # Legs' resistances differ from home to home: how much, the fleet itself says.
        Quantity("log_ratio", column("sag_log_ratio"), "contrast", column("sag_log_se"), wrong="high", floor=0.05),
        pair_quantity("log_ratio_error", "sag_log_se", is_compared=False),
        Quantity("one_leg_z", column("sag_one_z"), "contrast", unit="se"),
        pair_quantity("apart", "sag_apart", is_compared=False),
        pair_quantity("size", "sag_v_per_kw", unit="V/kW"),
        Quantity("volts_log_ratio", lambda _: pl.col("volt_ratio").abs().log(), "contrast"),
    ),
    leg_sentences.tell_sag,
    leg_sentences.columns_of_pairs("sag_l1", "sag_l2", "sag_l1_z", "sag_l2_z"),
    pl.col("sag_l1_z").is_not_null(),
)  # fmt: skip
