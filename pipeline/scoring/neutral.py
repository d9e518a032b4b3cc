"""Is the service neutral loose? By how far the legs' voltages move apart for each kW that really flows.

Mains that feed three lines are often long and shared: the impedance that holds for most homes, 0.24 ohm a line and 0.16
ohm of neutral (IEC/TR 60725, real parts), is 2.1 V for each kW at 230 V and in order. So what is usual among the
fleet's homes on the same service says where a loose neutral begins there, between two absolute limits.

A CT that reads half of what flows shows twice as much for each kW that it reads. How much it reads is known by the
utility meter, or by the sun where the CTs see production; elsewhere it may be as little as [verdict] neutral_scale.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.line_columns import PAIRS
from pipeline.core.setting_sections import VerdictSettings
from pipeline.probes.line_rows import THREE, TWO

_LEAST_SCALE = 0.2  # a CT that reads less than this says nothing of the volts for each kW
_FEWEST = 20  # homes that say what is usual
_CLEAR_Z = 3.0  # standard errors from nothing, on both legs: a dead CT's noise moves with nothing


def neutral_columns(settings: VerdictSettings, line_count: int = TWO) -> dict[str, pl.Expr]:
    """Return what site_scores says of the neutral, over the columns of site_signal.

    `neutral_v_per_kw` [V/kW] is the movement of V1 - V2 on the leg that moves it less, for each kW that flows, null
    where the legs' steps are too alike to tell; `neutral_v_per_kw_se` its standard error; `is_neutral_suspect` whether
    it is beyond `neutral_limit_v_per_kw`, from which a loose one is suspected. A loose neutral moves every pair of
    three lines, so of these the pair that moves least is shown.
    """
    pairs = PAIRS if line_count == THREE else {"": PAIRS[""]}
    sizes, errors, clear = zip(*(_of_pair(*pair, settings) for pair in pairs.items()), strict=True)
    is_known = pl.all_horizontal(pair.is_not_null() for pair in sizes)
    size = pl.when(is_known).then(pl.min_horizontal(sizes)) if line_count == THREE else sizes[0]
    error = pl.when(is_known).then(pl.max_horizontal(errors)) if line_count == THREE else errors[0]
    limit = _limit(size, settings) if line_count == THREE else pl.lit(settings.neutral_v_per_kw)
    return {
        "neutral_v_per_kw": size,
        "neutral_v_per_kw_se": error,
        "neutral_limit_v_per_kw": limit,
        "is_neutral_suspect": (pl.all_horizontal(clear) & (size > limit)).fill_null(False),
    }


def _limit(size: pl.Expr, settings: VerdictSettings) -> pl.Expr:
    """Return from where on a loose neutral of three lines is suspected [V/kW], by the homes on the same service."""
    least, most = settings.neutral_v_per_kw, settings.neutral_three_lines_v_per_kw
    usual = size.median().over("service") * settings.neutral_times_usual
    is_known = size.count().over("service") >= _FEWEST
    return pl.when(is_known).then(usual.clip(least, max(least, most))).otherwise(max(least, most))


def _of_pair(
    suffix: str, lines: tuple[str, str], settings: VerdictSettings
) -> tuple[pl.Expr, pl.Expr, pl.Expr]:
    """Return how far one pair's voltages move apart [V/kW], the error, and whether both lines' loads move them."""
    is_apart = pl.col(f"sag_v_per_kw{suffix}").is_not_null()
    moved = {leg: pl.col(f"sag_{leg}{suffix}").abs() for leg in ("l1", "l2")}
    scale = {leg: _scale(line, settings) for leg, line in zip(moved, lines, strict=True)}
    size = pl.min_horizontal(moved[leg] * scale[leg] for leg in moved)
    error = pl.max_horizontal(pl.col(f"sag_{leg}_se{suffix}") * scale[leg] for leg in moved)
    is_clear = pl.all_horizontal(moved[leg] > _CLEAR_Z * pl.col(f"sag_{leg}_se{suffix}") for leg in moved)
    return (
        pl.when(is_apart).then(size),
        pl.when(is_apart).then(error),
        (is_apart & is_clear).fill_null(False),
    )


def _scale(line: str, settings: VerdictSettings) -> pl.Expr:
    """Return how much of what flows the line's CT reads, [_LEAST_SCALE..1]."""
    is_metered = (pl.col("meter_share") > 0.5) & (pl.col("meter_r2") > 0.5)
    sees_sun = pl.col("is_declared_upstream").fill_null(False) & pl.col("has_probe")
    return pl.coalesce(
        pl.when(is_metered).then(pl.col(f"meter_gain_{line}").abs()),
        pl.when(sees_sun).then(pl.col("gain_sum").abs()),
        pl.lit(settings.neutral_scale),
    ).clip(_LEAST_SCALE, 1.0)
