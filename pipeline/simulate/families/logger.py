"""What the monitor and its logger make of a reading: accuracy, noise, resolution, and their bad habits.

CTs are of IEC 61869-2 class 1: at 20 % of rated current and above a ratio error within 1.5 % and a phase
displacement within 90 minutes of arc; each CT has its own, drawn once. The bad habits are the hard
negatives that a logger causes: a clock hours off or in local time, the step of daylight saving,
gaps, stale values, zeros for nothing, signs turned for minutes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.faults.circuit import Float
from pipeline.faults.cts import CT, PRODUCTION, Wiring
from pipeline.faults.reading import Reading

RATIO_SD, RATIO_MOST = 0.006, 0.015
PHASE_SD_MIN, PHASE_MOST_MIN = 25.0, 90.0
NOISE_SHARE = 0.003
VOLT_ERROR, VOLT_NOISE_V = 0.003, 0.03
# noise floor [W], and how often each resolution of watts and of volts occurs
LOGGERS = ((0.3, 4.0), {0.1: 0.4, 1.0: 0.5, 5.0: 0.1}, {0.01: 0.3, 0.1: 0.5, 1.0: 0.2})
# of family "weather"
ROUGH_LOGGERS = (
    (0.3, 8.0), {0.1: 0.25, 1.0: 0.45, 5.0: 0.15, 10.0: 0.15}, {0.01: 0.25, 0.1: 0.4, 0.5: 0.15, 1.0: 0.2}
)  # fmt: skip
ROUGH_NOISE_SHARE = (0.001, 0.01)
LATE_SHARE, LATE, PRODUCTION_MOST = 0.15, (0.15, 0.9), 0.04
SCANS_SHARE, SCAN_MIN = 0.2, (2, 3, 5)
LOST_SHARE = 0.004  # of intervals, in any home
CHANNELS = (
    "l1_w", "l2_w", "pv_w", "l1_var", "l2_var", "l3_w", "l3_var", "pv_l1_w", "pv_l2_w", "pv_l3_w",
)  # fmt: skip


@dataclass(frozen=True)
class LoggerNoise:
    """How one home's logger writes: noise floor [W] and noise a watt, resolution of watts and of volts."""

    noise_w: float
    resolution_w: float
    resolution_v: float
    noise_share: float = NOISE_SHARE

    @classmethod
    def draw(cls, rng: np.random.Generator, *, is_rough: bool = False) -> LoggerNoise:
        """Draw a logger; those of family "weather" are coarser and noisier."""
        noise_w, resolutions_w, resolutions_v = ROUGH_LOGGERS if is_rough else LOGGERS
        return cls(
            noise_w=float(np.exp(rng.uniform(*np.log(noise_w)))),
            resolution_w=float(rng.choice(list(resolutions_w), p=list(resolutions_w.values()))),
            resolution_v=float(rng.choice(list(resolutions_v), p=list(resolutions_v.values()))),
            noise_share=float(rng.uniform(*ROUGH_NOISE_SHARE)) if is_rough else NOISE_SHARE,
        )


@dataclass(frozen=True)
class Monitor:
    """How a monitor takes readings: noise, production's gain and lateness [intervals], its scans.

    `scan_starts_min` are the first scans of leg 1, leg 2 and production, every `scan_min`; a third line's are leg 1's.
    """

    noise: LoggerNoise
    gain: float = 1.0
    late: float = 0.0
    scan_starts_min: tuple[int, int, int] = (0, 0, 0)
    scan_min: int = 1

    @classmethod
    def draw(cls, rng: np.random.Generator, minutes: int, *, is_rough: bool) -> Monitor:
        """Draw a monitor for intervals of so many minutes.

        One of family "weather" is rough: production may read a few per cent off, or be taken a part of an interval
        later than the legs; it may look only now and then within an interval, each channel at its own moments.
        """
        noise = LoggerNoise.draw(rng, is_rough=is_rough)
        if not is_rough:
            return cls(noise)
        gain = 1 + rng.uniform(0, PRODUCTION_MOST) * (1 if rng.random() < 0.5 else -1)
        late = float(rng.uniform(*LATE)) * (rng.random() < LATE_SHARE)
        scan_min = int(rng.choice(SCAN_MIN)) if rng.random() < SCANS_SHARE and minutes >= 15 else 1
        leg_1, leg_2, production = (int(rng.integers(scan_min)) for _ in range(3))
        return cls(noise, gain, late, (leg_1, leg_2, production), scan_min)

    def averaged(self, reading: Reading, minutes: int) -> Reading:
        """Return the means an interval of what it sees of a reading at one minute."""
        produced_w = self.gain * reading.produced_w
        if self.late:  # the first value is held before
            minute = np.arange(produced_w.size)
            produced_w = self.gain * np.interp(minute - self.late * minutes, minute, reading.produced_w)
        if self.scan_min == 1 or minutes % self.scan_min:
            return replace(reading, produced_w=produced_w).averaged(minutes)
        *legs, production = (slice(start, None, self.scan_min) for start in self.scan_starts_min)
        va = np.stack([line_va[legs[row % 2]] for row, line_va in enumerate(reading.va)])
        scanned = replace(reading, va=va, produced_w=produced_w[production])
        return scanned.averaged(minutes // self.scan_min)


def within_class(wiring: Wiring, rng: np.random.Generator) -> Wiring:
    """Return the wiring with each CT's own in-class ratio error and phase displacement."""

    def with_error(ct: CT) -> CT:
        ratio = float(np.clip(rng.normal(0, RATIO_SD), -RATIO_MOST, RATIO_MOST))
        arc_min = float(np.clip(rng.normal(10, PHASE_SD_MIN), -PHASE_MOST_MIN, PHASE_MOST_MIN))
        factor = (1 + ratio) * np.exp(1j * np.deg2rad(arc_min / 60))
        return replace(ct, gain=complex(ct.gain * factor))

    return wiring.with_each_ct(with_error, (*wiring.legs, PRODUCTION))


def sign_glitches(reading: Reading, rng: np.random.Generator) -> Reading:
    """Turn all legs' signs for one to three minutes, a few times a day."""
    steps = reading.produced_w.shape[0]
    sign = np.ones(steps)
    for start in np.flatnonzero(rng.random(steps) < rng.uniform(2, 8) / 1440):
        sign[start : start + int(rng.integers(1, 4))] = -1.0
    return replace(reading, va=reading.va * sign)


def add_noise(columns: dict[str, Float], noise: LoggerNoise, rng: np.random.Generator) -> dict[str, Float]:
    """Return the columns with noise and resolution; volts get a gain error, watts a share of noise."""
    noisy = {}
    for name, values in columns.items():
        if name.endswith("_v"):
            gain, resolution = 1 + rng.normal(0, VOLT_ERROR), noise.resolution_v
            values = values * gain + rng.normal(0, VOLT_NOISE_V, values.shape)
        elif name.endswith("_wh"):
            values, resolution = np.maximum(values * (1 + rng.normal(0, 0.002)), 0.0), 1.0
        else:
            spread, resolution = noise.noise_w + noise.noise_share * np.abs(values), noise.resolution_w
            values = values + spread * rng.normal(0, 1, values.shape) * (values != 0.0)
        noisy[name] = np.round(np.round(values / resolution) * resolution, 3) + 0.0
    return noisy


def misbehave(
    rows: pl.DataFrame, hard: str, *, minutes: int, offset_min: int, rng: np.random.Generator
) -> pl.DataFrame:
    """Return the rows as a logger with this hard negative writes them; those moved out of their window are lost.

    Parameters
    ----------
    rows
        Sorted by interval_start (UTC, naive).
    hard
        The word of a hard negative; others than a logger's change nothing.
    minutes
        Interval length.
    offset_min, rng
        Of the local zone, east of UTC; the home's random numbers.
    """
    start = pl.col("interval_start")
    first, last = rows["interval_start"][0], rows["interval_start"][-1]
    if hard in ("clock_offset", "local_time", "dst"):
        if hard == "dst":
            change_row = int(rng.integers(rows.height // 4, 3 * rows.height // 4))
            hour = 60 if rng.random() < 0.5 else -60
            shift = pl.when(pl.int_range(pl.len()) >= change_row).then(hour).otherwise(0)
        else:
            size = int(np.sign(rng.normal())) * 60 * int(rng.integers(1, 11))
            shift = pl.lit(offset_min if hard == "local_time" else size)
        moved = rows.with_columns((start + pl.duration(minutes=shift)).dt.truncate(f"{minutes}m"))
        in_window = moved.filter(start.is_between(first, last))
        return in_window.unique("interval_start", keep="last").sort("interval_start")
    size = rows.height
    if hard == "gaps":
        lost = _spells(size, rng, share=rng.uniform(0.15, 0.6), mean=max(2.0, 240 / minutes))
        return rows.filter(pl.Series(~lost))
    measures = [name for name in rows.columns if name != "interval_start"]
    if hard == "stale_values":
        stale = _spells(size, rng, share=rng.uniform(0.05, 0.4), mean=max(3.0, 180 / minutes))
        fresh = pl.when(pl.Series(~stale)).then(pl.col(measures))
        return rows.with_columns(fresh.forward_fill().fill_null(strategy="backward"))
    if hard == "zero_dropouts":
        gone = pl.Series(_spells(size, rng, share=rng.uniform(0.01, 0.12), mean=max(1.0, 45 / minutes)))
        channels = pl.col([name for name in measures if name in CHANNELS])
        return rows.with_columns(
            pl.when(gone & channels.is_not_null()).then(0.0).otherwise(channels).name.keep()
        )
    return rows


def lose_some(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Drop the few rows that any logger loses."""
    lost = _spells(rows.height, rng, share=LOST_SHARE * rng.exponential(1.0), mean=2.0)
    return rows.filter(pl.Series(~lost))


def _spells(size: int, rng: np.random.Generator, share: float, mean: float) -> NDArray[np.bool_]:
    """Return a mask of random spells of this mean length that covers about this share."""
    mask = np.zeros(size, dtype=np.bool_)
    count = rng.poisson(-np.log1p(-min(share, 0.9)) * size / mean)
    for start in rng.integers(0, size, count).tolist():
        mask[start : start + 1 + int(rng.exponential(max(mean - 1, 0.5)))] = True
    return mask
