"""One leg as the other's mirror or copy: two CTs around one conductor."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from pipeline.probes.probe import ALWAYS, Probe, Quantity, home_quantity

FEWEST_STEPS = 15


def _apart(of: str, sign: float) -> Quantity:
    """How far the legs' night levels are from cancelling (sign +1) or from being the same (sign -1)."""
    one, two = pl.col(f"night_l1_{of}"), pl.col(f"night_l2_{of}")
    size = pl.max_horizontal(one.abs(), two.abs(), pl.lit(20.0))
    name = ("cancel" if sign > 0 else "equal") + "_" + of.removesuffix("_w").replace("w", "middle")
    known = pl.when(two.is_not_null())
    return Quantity(
        name, lambda _: known.then((one + sign * two).abs() / size), "home", wrong="low", floor=0.01
    )


def _of_enough(name: str) -> Callable[[str], pl.Expr]:
    """A share of the night's steps; of a few it says nothing."""
    return lambda _: pl.when(pl.col("active_steps") >= FEWEST_STEPS).then(pl.col(name))


PROBE = Probe(
    "mirror",
    "One leg against the other",
    (
        *(
            home_quantity(name, name)
            for name in ("leg_corr_night", "leg_corr_day", "step_corr_night", "step_corr_day")
        ),
        home_quantity("step_gain", "leg_gain_night"),
        *(
            Quantity(name, _of_enough(name), wrong="high", decides=0.9)
            for name in ("equal_share", "mirror_share")
        ),
        home_quantity("equal_day_share", "equal_day_share", "high"),
        home_quantity("mirror_day_share", "mirror_day_share", "high"),
        home_quantity("steps", "active_steps", is_compared=False),
        home_quantity("day_steps", "active_day_steps", is_compared=False),
        *(_apart(of, sign) for of in ("low_w", "w", "high_w") for sign in (-1.0, 1.0)),
    ),
    (
        (
            ALWAYS,
            "of the night's steps L2 takes {mirror_share:.0%} with L1's size and the sign turned and {equal_share:.0%} "
            "exactly alike (right is few of either)",
        ),
    ),
    pl.col("active_steps").fill_null(0) > 5,
    count=(pl.col("active_steps").cast(pl.Float64), "night steps"),
)
