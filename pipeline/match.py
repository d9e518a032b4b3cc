"""Soft comparisons for evidence: polars expressions from 0 (no) to 1 (yes), null for *cannot tell*."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

# A clamp and meter in class stay within a few per cent of the truth; with load noise left in the slope a right
# install scatters about this much around its gain. IEC 61869-2 class 1 is 2.9 % at 5 % current, power factor 1.
GAIN_TOLERANCE = 0.07
# An error beyond this says nothing (trade.md: with a slope error above 0.1 say nothing, that is 0.2 of a gain).
GAIN_SE_MAX = 0.25


def near(
    name: str,
    target: float | pl.Expr,
    se: str,
    tolerance: float = GAIN_TOLERANCE,
    se_max: float = GAIN_SE_MAX,
) -> pl.Expr:
    """(1 + z^2 / 4)^-1.5 of column `name` against `target`, z over its error `se` and a tolerance.

    The tail is long so that ten errors off weighs more than three; errors and tolerance are in the column's unit.

    The larger the error, the nearer to 0.5; null from `se_max` on.
    """
    spread = (pl.col(se).pow(2) + tolerance**2).sqrt()
    z = (pl.col(name) - target) / spread
    return _as_sure((1 + z**2 / 4) ** -1.5, se, se_max)


def _as_sure(value: pl.Expr, se: str, se_max: float) -> pl.Expr:
    """Draw `value` towards 0.5 as the error `se` nears `se_max`, and make it null from there on."""
    sure = 1 - (pl.col(se) / se_max) ** 2
    return pl.when(pl.col(se) < se_max).then(0.5 + (value - 0.5) * sure)


def above(value: str | pl.Expr, middle: float, width: float) -> pl.Expr:
    """Logistic step up: 0.5 at `middle`, 0.95 at three `width` above."""
    x = pl.col(value) if isinstance(value, str) else value
    return 1 / (1 + (-((x - middle) / width).clip(-40, 40)).exp())


def below(value: str | pl.Expr, middle: float, width: float) -> pl.Expr:
    """Logistic step down, 1 - above."""
    return 1 - above(value, middle, width)


def between(name: str, low: float, high: float, se: str, se_max: float = GAIN_SE_MAX) -> pl.Expr:
    """Column `name` lies between, judged with its error `se`; null where that is above `se_max`."""
    width = (pl.col(se).pow(2) + 0.03**2).sqrt() / 1.7
    up = 1 / (1 + (-((pl.col(name) - low) / width).clip(-40, 40)).exp())
    down = 1 / (1 + (((pl.col(name) - high) / width).clip(-40, 40)).exp())
    return _as_sure(up * down, se, se_max)


def outside(name: str, low: float, high: float, se: str, se_max: float = GAIN_SE_MAX) -> pl.Expr:
    """1 - between."""
    return 1 - between(name, low, high, se, se_max)


def alike(one: str, other: str, se_one: str, se_other: str, tolerance: float = GAIN_TOLERANCE) -> pl.Expr:
    """Two columns agree within their errors and a tolerance, which is relative above 1."""
    size = pl.max_horizontal(pl.lit(1.0), pl.col(one).abs())
    spread = (pl.col(se_one).pow(2) + pl.col(se_other).pow(2) + (tolerance * size) ** 2).sqrt()
    return (-(((pl.col(one) - pl.col(other)) / spread) ** 2) / 2).exp()


def steady(at_least_days: int = 4) -> pl.Expr:
    """The days' slopes of both legs together agree among themselves, and before noon with after noon.

    A battery that answers to the sun on some days, or an array that looks another way, makes them differ.
    """
    days = below(
        pl.col("slope_scatter") / pl.max_horizontal(pl.lit(1.0), pl.col("gain_sum").abs()), 0.1, 0.02
    )
    noon = alike("slope_am", "slope_pm", "slope_am_se", "slope_pm_se").fill_null(1.0)
    return only_if(pl.col("slope_days") >= at_least_days, days * noon)


def steps_together(kind: str) -> pl.Expr:
    """Nearly all steps are taken by both legs at once: "mirror" with opposite signs, "equal" with the same.

    By night and by day, where there are enough of them; null where there are not.
    """
    sign = -1.0 if kind == "mirror" else 1.0

    def judged(share: str, correlation: str, steps: str) -> pl.Expr:
        counted = above(share, 0.85, 0.04)
        # Small steps drown in rounding; the squares of the big ones don't.
        squared = above(share, 0.5, 0.05) * above(sign * pl.col(correlation), 0.985, 0.003)
        return only_if(pl.col(steps) >= 15, pl.max_horizontal(counted, squared))

    night = judged(f"{kind}_share", "step_corr_night", "active_steps")
    day = judged(f"{kind}_day_share", "step_corr_day", "active_day_steps")
    return pl.coalesce(night * day.fill_null(1.0), day)


def turned_beside_right(leg: str, other: str) -> pl.Expr:
    """Leg `leg` answers the sun with the sign turned, the other one as a right clamp upstream does."""
    turned = near(f"gain_{leg}", -1.0, f"gain_{leg}_se", tolerance=0.15)
    return turned * near(f"gain_{other}", 1.0, f"gain_{other}_se", tolerance=0.15)


def cancels() -> pl.Expr:
    """The legs sum to about zero at the low, the middle and the high of the nights; null where they carry little.

    Two clamps in class around one conductor differ by up to 6 %; two legs of a home by far more.
    """
    legs = pl.max_horizontal(pl.col("night_l1_w").abs(), pl.col("night_l2_w").abs())
    left = pl.max_horizontal(pl.col("night_sum_high_w").abs(), pl.col("night_sum_low_w").abs())
    high = pl.max_horizontal(
        pl.col("night_l1_high_w").abs(), pl.col("night_l2_high_w").abs(),
        pl.col("night_l1_low_w").abs(), pl.col("night_l2_low_w").abs(), pl.lit(40.0),
    )  # fmt: skip
    return only_if(legs > 40, below(left / high, 0.12, 0.03))


def one_conductor() -> pl.Expr:
    """Both legs read one conductor with opposite signs: they cancel, or where that can't be seen step together."""
    return pl.coalesce(cancels(), steps_together("mirror"))


def inside(value: str, low: float, high: float, width: float) -> pl.Expr:
    """Column `value` lies between, each end a logistic step of this width."""
    return above(value, low, width) * below(value, high, width)


def positive(z: str, width: float = 1.5) -> pl.Expr:
    """Column `z` [standard errors] is above 0."""
    return above(z, 0.0, width)


def negative(z: str, width: float = 1.5) -> pl.Expr:
    """Column `z` [standard errors] is below 0."""
    return below(z, 0.0, width)


def only_if(condition: pl.Expr, value: pl.Expr) -> pl.Expr:
    """`value` where the condition holds, else null."""
    return pl.when(condition).then(value)


def by_leg(judge: Callable[[str], pl.Expr], has_both: bool = True) -> dict[str, pl.Expr]:
    """Spread a judgement of one leg over l1 alone, l2 alone and both.

    `judge("l1")` and `judge("l2")` are values 0 to 1; "l1" is that leg and not the other (a leg that cannot tell
    doesn't exonerate), "both" is their product.
    """
    one, two = judge("l1"), judge("l2")
    legs = {"l1": one * (1 - two.fill_null(0.0)), "l2": two * (1 - one.fill_null(0.0))}
    return {**legs, "both": one * two} if has_both else legs
