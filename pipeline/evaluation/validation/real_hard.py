"""What looks like a fault and isn't, made of real readings: a clock, a logger, a link or an inverter that fails."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import polars as pl

from pipeline.faults.circuit import Float

Disturbance = Callable[[pl.DataFrame, np.random.Generator], pl.DataFrame]
OUTAGE_SHARE = 0.6  # of the window, from its start or to its end
GLITCHES_DAY, GLITCH_SHARE = 3, 2 / 15  # two minutes of a quarter of an hour


def without_production(pv_w: Float, rng: np.random.Generator) -> Float:
    """Return production with the inverter off for most of the window, at its start or its end."""
    off = np.arange(pv_w.size) < OUTAGE_SHARE * pv_w.size
    return np.where(off if rng.random() < 0.5 else off[::-1], 0.0, pv_w)


def _is_lost(size: int, count: int, longest: int, rng: np.random.Generator) -> pl.Series:
    lost = np.zeros(size, dtype=np.bool_)
    for start in rng.integers(size, size=count).tolist():
        lost[start : start + int(rng.integers(2, longest))] = True
    return pl.Series("is_lost", lost)


def _clock_offset(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Label every reading hours off; what falls out of the window is lost."""
    first, last = rows["interval_start"].min(), rows["interval_start"].max()
    hours = int(rng.integers(3, 12)) * (1 if rng.random() < 0.5 else -1)
    moved = rows.with_columns(pl.col("interval_start") + pl.duration(hours=hours))
    return moved.filter(pl.col("interval_start").is_between(first, last))


def _zero_dropouts(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Write all channels as exactly 0 for up to five hours, every other day."""
    lost = _is_lost(rows.height, 15, 20, rng)
    watts = [name for name in rows.columns if name.endswith(("_w", "_var", "_v"))]
    return rows.with_columns(pl.when(lost).then(0.0).otherwise(pl.col(name)).alias(name) for name in watts)


def _sign_glitches(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Turn all legs' sign for two minutes, three times a day."""
    turned = np.zeros(rows.height, dtype=np.bool_)
    turned[rng.integers(rows.height, size=GLITCHES_DAY * rows.height // 96)] = True
    keep = pl.Series(np.where(turned, 1 - 2 * GLITCH_SHARE, 1.0))
    return rows.with_columns((pl.col("^l[123]_w$") * keep).round(1))


def _gaps(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Lose readings for up to ten hours, once a day."""
    return rows.filter(~_is_lost(rows.height, 30, 40, rng))


def _stale_repeats(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Repeat the last reading for up to six hours, every third day."""
    stale = _is_lost(rows.height, 10, 24, rng).to_numpy()
    last = np.maximum.accumulate(np.where(stale, 0, np.arange(rows.height)))
    readings = rows.drop("site_id", "interval_start")[last.tolist()]
    return rows.select("site_id", "interval_start").hstack(readings)


# Of an untouched home's intervals; "pv_outage" is made before they are measured.
DISTURBANCES: Mapping[str, Disturbance] = {
    "clock_offset": _clock_offset,
    "zero_dropouts": _zero_dropouts,
    "sign_glitches": _sign_glitches,
    "gaps": _gaps,
    "stale_repeats": _stale_repeats,
}
KINDS = (*DISTURBANCES, "pv_outage")
