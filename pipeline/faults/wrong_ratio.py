"""The monitor is configured for another CT rating.

On site: nothing is wrong; the rating entered at commissioning is not the one printed on the clamps.
The data: both legs scaled by the same factor, load and slope on production alike. What else looks the
same: partial or loose cores on both legs (never the same factor twice), a production reading that is
itself scaled wrongly.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.circuit import Circuit
from pipeline.fault import Channels, Fault, Piece, Remedy, Repair, always
from pipeline.match import above, alike, near, only_if, outside, steady
from pipeline.misread import bounded, number, read_kwh
from pipeline.wiring import Wiring

# (configured, true) ratings in amperes that get confused.
RATINGS = ((100, 200), (200, 100), (50, 100), (60, 200), (400, 200), (50, 200), (200, 400), (150, 200))


def effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Draw which rating was entered for which clamp."""
    configured, true = RATINGS[int(rng.integers(len(RATINGS)))]
    return replace(
        wiring,
        ratio=wiring.ratio * configured / true,
        severity=f"configured {configured} A, is {true} A",
    )


def inverse(now: Channels, repair: Repair) -> Channels:
    """Divide both legs by configured over true; exact."""
    return now._replace(
        l1_w=now.l1_w / repair.ratio,
        l2_w=now.l2_w / repair.ratio,
        l1_var=now.l1_var / repair.ratio,
        l2_var=now.l2_var / repair.ratio,
    )


REMEDY = Remedy(
    action="Ask for a photo of the clamps' labels (or look it up in the install photos) and set the "
    "monitor to that rating.",
    fix_by="office",
    bring=(),
    minutes=10,
    prove="After the change the slope of each upstream leg on production returns to -0.5, and the load "
    "agrees with the utility meter within 5 %.",
    habit="Read the rating off the clamp and enter that number, never the one from the last job.",
)

PIECES: tuple[Piece, ...] = (
    Piece(
        "common_gain",
        "Both legs off by the same factor against the sun",
        ("gain_l1", "gain_l1_se", "gain_l2", "gain_l2_se", "is_battery_hidden", "gain_sum", "gain_sum_se"),
        {
            "both": only_if(~pl.col("is_battery_hidden") | (pl.col("gain_sum") > 1), pl.lit(1.0))
            * alike("gain_l1", "gain_l2", "gain_l1_se", "gain_l2_se")
            * outside("gain_sum", 0.85, 1.15, "gain_sum_se", se_max=0.2)
            * above("gain_sum", 0.17, 0.04)
        },
        "slopes on PV {slope_l1:+.2f} and {slope_l2:+.2f} W per W: {gain_sum:.2f} times right",
    ),
    Piece(
        "steady_common_gain",
        "The same wrong factor on both legs, day after day",
        (
            "gain_sum",
            "gain_sum_se",
            "slope_scatter",
            "gain_l1",
            "gain_l2",
            "gain_l1_se",
            "gain_l2_se",
            "slope_am",
            "slope_pm",
            "slope_am_se",
            "slope_pm_se",
            "slope_days",
        ),
        {
            "both": only_if(
                pl.col("gain_sum_se") < 0.06,
                alike("gain_l1", "gain_l2", "gain_l1_se", "gain_l2_se").fill_null(1.0)
                * outside("gain_sum", 0.85, 1.15, "gain_sum_se", se_max=0.2)
                * above("gain_sum", 0.17, 0.03)
                * steady(),
            )
        },
        "the legs read {gain_sum:.2f} times right against the sun, the same on {slope_days:.0f} days",
    ),
    Piece(
        "gain_above_one",
        "Sees more sun than there is",
        ("gain_sum", "gain_sum_se"),
        {
            "both": only_if(
                pl.col("gain_sum_se") < 0.2, above(pl.col("gain_sum") - 2 * pl.col("gain_sum_se"), 1.2, 0.06)
            )
        },
        "slope of both legs on PV {slope_sum:+.2f} W per W, right would be -1",
    ),
    Piece(
        "steady_gain",
        "The same factor before and after noon, as no second array gives",
        ("slope_am", "slope_pm", "slope_am_se", "slope_pm_se", "gain_sum"),
        {
            "both": only_if(
                (pl.col("slope_am_se") < 0.1)
                & (pl.col("slope_pm_se") < 0.1)
                & (pl.col("gain_sum").abs() > 0.2),
                alike("slope_am", "slope_pm", "slope_am_se", "slope_pm_se", tolerance=0.06),
            )
        },
        "slope of both legs on PV {slope_am:+.2f} before noon and {slope_pm:+.2f} after",
    ),
    Piece(
        "rating_ratio",
        "The factor is one of two CT ratings",
        ("gain_sum", "gain_sum_se"),
        {
            "both": pl.max_horizontal(
                *(
                    near("gain_sum", ratio, "gain_sum_se", tolerance=0.04 * ratio, se_max=0.1 * ratio)
                    for ratio in (0.25, 0.5, 2.0, 4.0)
                )
            )
        },
        "the legs read {gain_sum:.2f} times right against the sun",
    ),
    Piece(
        "meter_scale",
        "Both legs off by the same factor against the utility meter",
        ("meter_r2", "meter_l1", "meter_l2", "meter_gain_se"),
        {
            "both": only_if(
                (pl.col("meter_r2") > 0.6) & (pl.col("meter_gain_se") < 0.1),
                (
                    -((pl.col("meter_l1") / pl.col("meter_l2").fill_null(pl.col("meter_l1")) - 1) / 0.1).pow(
                        2
                    )
                    / 2
                ).exp()
                * above((pl.col("meter_l1").abs().log()).abs(), 0.16, 0.03),
            )
        },
        "against the utility meter L1 reads {meter_gain_l1:.2f} and L2 {meter_gain_l2:.2f} of the truth",
    ),
)


def _ratio() -> pl.Expr:
    """Return configured over true rating: by production, else the utility meter, else the commonest, 2."""
    seen = [
        pl.when((number("gain_sum_se") <= 0.15) & number("gain_sum").is_between(0.13, 8.0)).then(
            number("gain_sum")
        ),
        pl.when((number("meter_r2") > 0.5) & number("meter_gain_l1").is_between(0.13, 8.0)).then(
            number("meter_gain_l1")
        ),
    ]
    return pl.coalesce(*seen, pl.lit(2.0))


# |1 - 1 / k| (|P1| + |P2|), with k configured over true.
WRONG_KWH_DAY = {"both": bounded((1 - 1 / _ratio()).abs() * read_kwh("both"))}

FAULT = Fault(
    name="wrong_ratio",
    legs=("both",),
    story="The monitor is configured for clamps of another rating; both legs are scaled alike.",
    looks_like="partial or loose_core on both legs; a scaled production reading",
    fits=always,
    effect=effect,
    inverse=inverse,
    wrong_kwh_day=WRONG_KWH_DAY,
    pieces=PIECES,
    remedy=REMEDY,
)
