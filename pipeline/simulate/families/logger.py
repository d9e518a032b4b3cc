"""What the monitor and its logger make of a reading: accuracy, noise, resolution, and their bad habits.

CTs are of IEC 61869-2 class 1: at 20 % of rated current and above a ratio error within 1.5 % and a phase
displacement within 90 minutes of arc; each clamp has its own, drawn once. The bad habits are the hard
negatives that a logger causes: a clock hours off or in local time, the step of daylight saving,
gaps, stale values, zeros for nothing, signs turned for minutes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.faults.circuit import Float
from pipeline.faults.clamps import Clamp, Reading, Wiring

RATIO_SD, RATIO_MOST = 0.006, 0.015
PHASE_SD_MIN, PHASE_MOST_MIN = 25.0, 90.0
NOISE_W, NOISE_SHARE = (0.3, 4.0), 0.003
VOLT_ERROR, VOLT_NOISE_V = 0.003, 0.03
RESOLUTIONS_W, RESOLUTIONS_V = (0.1, 1.0, 5.0), (0.01, 0.1, 1.0)
LOST_SHARE = 0.004  # of intervals, in any home
CHANNELS = ("l1_w", "l2_w", "pv_w", "l1_var", "l2_var")


@dataclass(frozen=True)
class Manners:
    """How one home's logger writes: noise floor and resolution [W], resolution of volts [V], noise a watt."""

    noise_w: float
    watt: float
    volt: float
    share: float = NOISE_SHARE

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Manners:
        """Draw a logger."""
        return cls(
            noise_w=float(np.exp(rng.uniform(*np.log(NOISE_W)))),
            watt=float(rng.choice(RESOLUTIONS_W, p=[0.4, 0.5, 0.1])),
            volt=float(rng.choice(RESOLUTIONS_V, p=[0.3, 0.5, 0.2])),
        )


def within_class(wiring: Wiring, rng: np.random.Generator) -> Wiring:
    """Return the wiring with each clamp's own in-class ratio error and phase displacement."""

    def real(clamps: tuple[Clamp, ...]) -> tuple[Clamp, ...]:
        found = []
        for clamp in clamps:
            ratio = float(np.clip(rng.normal(0, RATIO_SD), -RATIO_MOST, RATIO_MOST))
            arc_min = float(np.clip(rng.normal(10, PHASE_SD_MIN), -PHASE_MOST_MIN, PHASE_MOST_MIN))
            factor = (1 + ratio) * np.exp(1j * np.deg2rad(arc_min / 60))
            found.append(replace(clamp, gain=complex(clamp.gain * factor)))
        return tuple(found)

    return replace(wiring, l1=real(wiring.l1), l2=real(wiring.l2), production=real(wiring.production))


def sign_glitches(reading: Reading, rng: np.random.Generator) -> Reading:
    """Turn both legs' signs for one to three minutes, a few times a day."""
    steps = reading.produced_w.shape[0]
    sign = np.ones(steps)
    for start in np.flatnonzero(rng.random(steps) < rng.uniform(2, 8) / 1440):
        sign[start : start + int(rng.integers(1, 4))] = -1.0
    return replace(reading, l1_va=reading.l1_va * sign, l2_va=reading.l2_va * sign)


def written(columns: dict[str, Float], manners: Manners, rng: np.random.Generator) -> dict[str, Float]:
    """Return the columns with noise and resolution; volts get a gain error, watts a share of noise."""
    found = {}
    for name, values in columns.items():
        if name.endswith("_v"):
            noisy = values * (1 + rng.normal(0, VOLT_ERROR)) + rng.normal(0, VOLT_NOISE_V, values.shape)
            step = manners.volt
        elif name.endswith("_wh"):
            noisy, step = np.maximum(values * (1 + rng.normal(0, 0.002)), 0.0), 1.0
        else:
            spread = manners.noise_w + manners.share * np.abs(values)
            noisy = values + spread * rng.normal(0, 1, values.shape) * (values != 0.0)
            step = manners.watt
        found[name] = np.round(np.round(noisy / step) * step, 3) + 0.0
    return found


def misbehave(
    rows: pl.DataFrame, hard: str, minutes: int, offset_min: int, rng: np.random.Generator
) -> pl.DataFrame:
    """Return the rows as a logger with this hard negative writes them.

    `rows` are sorted by interval_start (UTC, naive); `offset_min` is the local zone's [min east of UTC]. Rows
    that end up outside their window are lost.
    """
    start = pl.col("interval_start")
    first, last = rows["interval_start"][0], rows["interval_start"][-1]
    if hard in ("clock_offset", "local_time", "dst"):
        if hard == "dst":
            at = int(rng.integers(rows.height // 4, 3 * rows.height // 4))
            hour = 60 if rng.random() < 0.5 else -60
            shift = pl.when(pl.int_range(pl.len()) >= at).then(hour).otherwise(0)
        else:
            size = int(np.sign(rng.normal())) * 60 * int(rng.integers(1, 11))
            shift = pl.lit(offset_min if hard == "local_time" else size)
        moved = rows.with_columns(start + pl.duration(minutes=shift))
        moved = moved.with_columns(start.dt.truncate(f"{minutes}m"))
        return (
            moved.filter(start.is_between(first, last))
            .unique("interval_start", keep="last")
            .sort("interval_start")
        )
    size = rows.height
    if hard == "gaps":
        lost = _spells(size, rng, share=rng.uniform(0.15, 0.6), mean=max(2.0, 240 / minutes))
        return rows.filter(pl.Series(~lost))
    measures = [name for name in rows.columns if name != "interval_start"]
    if hard == "stale_values":
        stale = _spells(size, rng, share=rng.uniform(0.05, 0.4), mean=max(3.0, 180 / minutes))
        kept = [
            pl.when(pl.Series(~stale)).then(pl.col(name)).forward_fill().fill_null(strategy="backward")
            for name in measures
        ]
        return rows.with_columns(kept)
    if hard == "zero_dropouts":
        gone = pl.Series(_spells(size, rng, share=rng.uniform(0.01, 0.12), mean=max(1.0, 45 / minutes)))
        written = [name for name in measures if name in CHANNELS]
        return rows.with_columns(
            pl.when(gone & pl.col(name).is_not_null()).then(0.0).otherwise(pl.col(name)).alias(name)
            for name in written
        )
    return rows


def lose_some(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Drop the few rows that any logger loses."""
    lost: NDArray[np.bool_] = _spells(rows.height, rng, share=LOST_SHARE * rng.exponential(1.0), mean=2.0)
    return rows.filter(pl.Series(~lost))


def _spells(size: int, rng: np.random.Generator, share: float, mean: float) -> NDArray[np.bool_]:
    """Return a mask of random spells of this mean length that covers about this share."""
    mask = np.zeros(size, dtype=np.bool_)
    for start, length in _starts(size, rng, share, mean):
        mask[start : start + length] = True
    return mask


def _starts(size: int, rng: np.random.Generator, share: float, mean: float) -> Iterator[tuple[int, int]]:
    count = rng.poisson(-np.log1p(-min(share, 0.9)) * size / mean)
    for start in rng.integers(0, size, count).tolist():
        yield int(start), 1 + int(rng.exponential(max(mean - 1, 0.5)))
