"""What a monitor and its logger make of a reading: noise, rounding, clocks, gaps and other habits.

None of this is an install fault; some of it looks like one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.services import LINES
from pipeline.faults.circuit import Float, numbers_of
from pipeline.faults.reading import Reading
from pipeline.simulate.home import CleanHome
from pipeline.simulate.spec import utc_offsets_h

Columns = dict[str, Float]
Mask = NDArray[np.bool_]
REPEATED_EVERY = 37


def _mean(series: Float, steps: int) -> Float:
    return series.reshape(-1, steps).mean(axis=1) if steps > 1 else series


def _round_to(resolution: float, series: Float) -> Float:
    return np.round(np.round(series / resolution) * resolution, 1) + 0.0


def reported_rows(
    home: CleanHome, reading: Reading, rng: np.random.Generator, *, is_producing: bool | None = None
) -> pl.DataFrame:
    """Return the rows that reach the lake (without site_id), nulls where a column is absent.

    Parameters
    ----------
    home
        The home, for its plan, voltages, battery and utility meter.
    reading
        What its monitor measured a fine step.
    rng
        Draws noise, resolution, columns, gaps.
    is_producing
        Whether a blank night of the production is drawn for, lest a twin without the fault draw otherwise;
        None: as this reading shows production.
    """
    if is_producing is None:
        is_producing = shows_production(home, reading)
    columns = _shift_clock(home, _monitored(home, reading, is_producing, rng), rng)
    columns |= _metered(home, rng)
    columns = _misbehave(home, columns, rng)
    is_kept = _draw_kept(home, columns["l1_w"].size, rng)
    window = home.plan.window
    interval = np.timedelta64(60 * window.minutes, "s")
    start = np.datetime64(window.start, "us") + np.arange(is_kept.size) * interval
    frame = pl.DataFrame({"interval_start": start, **columns}).filter(pl.Series(is_kept))
    if home.plan.hard == "gaps":  # a logger that loses rows also sends some twice
        frame = pl.concat([frame, frame[::REPEATED_EVERY]]).sort("interval_start", maintain_order=True)
    return frame.with_columns(
        pl.col("interval_start").cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
        pl.col(list(columns)).fill_nan(None),
    )


def shows_production(home: CleanHome, reading: Reading) -> bool:
    """Return whether any interval of the production channel is above zero."""
    return bool(reading.averaged(home.plan.window.steps_out).produced_w.max() > 0)


def _monitored(home: CleanHome, reading: Reading, is_producing: bool, rng: np.random.Generator) -> Columns:
    """Return the columns as the monitor reports them, one value an interval, NaN where absent."""
    plan, steps = home.plan, home.plan.window.steps_out
    mean = reading.averaged(steps)
    size = mean.produced_w.size
    absent = np.full(size, np.nan)
    noise_w = float(np.exp(rng.uniform(-1.5, 2.5)))
    resolution_w = float(rng.choice([0.1, 1.0, 10.0], p=[0.35, 0.6, 0.05]))
    scatter = 0.006 * mean.produced_w * rng.standard_normal(size)
    noisy_pv = mean.produced_w + scatter + 0.3 * noise_w * rng.standard_normal(size)
    if is_producing and rng.random() < 0.5:  # many inverters simply report 0 at night
        noisy_pv = np.where(np.abs(mean.produced_w) > 0, noisy_pv, 0.0)
    lines = LINES[: max(2, mean.line_count)]
    noise = noise_w * rng.standard_normal((len(lines), size))  # of two channels even where the home has one
    mean = replace(mean, va=mean.va + noise[: mean.line_count], produced_w=noisy_pv)
    columns = {f"{line}_w": _round_to(resolution_w, mean.line_w(row)) for row, line in enumerate(lines, 1)}
    columns["pv_w"] = _round_to(resolution_w, mean.pv_w)
    has_volts, has_var = rng.random() < 0.78, rng.random() < 0.6
    volt_step = float(rng.choice([0.1, 1.0], p=[0.75, 0.25]))
    for row, leg in enumerate(lines):
        phasor = home.circuit.volts[min(row, home.circuit.line_count - 1)]
        var = mean.line_var(row + 1)
        volts = _mean(np.abs(phasor), steps) * (1.0 + rng.normal(0.0, 0.002)) + rng.normal(0.0, 0.05, size)
        columns[f"{leg}_v"] = _round_to(volt_step, volts) if has_volts else absent
        columns[f"{leg}_var"] = _round_to(resolution_w, var) if has_var else absent
    is_known = bool(plan.battery_wh) and plan.hard != "battery_undeclared" and rng.random() < 0.8
    columns["battery_w"] = _round_to(1.0, _mean(home.battery_w, steps)) if is_known else absent
    if not plan.array:
        columns["pv_w"] = absent
    if mean.line_count == 1:
        columns |= dict.fromkeys(("l2_w", "l2_v", "l2_var"), absent)
    if plan.is_by_line and plan.array and _is_production(home, mean.produced_w):
        columns |= _production_by_line(home, columns["pv_w"], resolution_w, rng)
    return columns


def _is_production(home: CleanHome, produced_w: Float) -> bool:
    """Return whether the production channel reads what the inverter makes, and not something else's power."""
    made_w = _mean(home.pv_w, home.plan.window.steps_out)
    return bool(np.abs(produced_w - made_w).mean() < 0.1 * made_w.mean() + 5.0)


def _production_by_line(
    home: CleanHome, pv_w: Float, resolution_w: float, rng: np.random.Generator
) -> Columns:
    """Return production as a source reports it that meters each of the inverter's lines: no sum, unfed lines absent."""
    plan, absent = home.plan, np.full(pv_w.size, np.nan)
    fed = numbers_of(plan.pv_lines, plan.service)
    columns = {f"pv_{line}_w": absent for line in LINES[: home.circuit.line_count]}
    for row in fed:
        share = (1.0 + rng.normal(0.0, 0.004)) / len(fed)
        columns[f"pv_{LINES[row]}_w"] = _round_to(resolution_w, share * pv_w)
    return columns | {"pv_w": absent}


def _metered(home: CleanHome, rng: np.random.Generator) -> Columns:
    """Return the utility meter's import and export [Wh] of each interval; NaN where there is none."""
    window = home.plan.window
    net_w = home.net_w * (1.0 + rng.normal(0.0, 0.004))
    has_meter, register_wh = rng.random() < 0.5, float(rng.choice([1.0, 10.0]))
    columns = {}
    for name, power_w in (("import_wh", np.maximum(net_w, 0.0)), ("export_wh", np.maximum(-net_w, 0.0))):
        energy_wh = _round_to(register_wh, _mean(power_w, window.steps_out) * (window.minutes / 60.0))
        columns[name] = energy_wh if has_meter else np.full(energy_wh.size, np.nan)
    return columns


def _shift_clock(home: CleanHome, columns: Columns, rng: np.random.Generator) -> Columns:
    """Return the monitor's columns under a clock that is hours off or keeps local time."""
    window = home.plan.window
    if home.plan.hard == "clock_offset":
        hours = float(rng.integers(3, 12)) * (1.0 if rng.random() < 0.5 else -1.0)
    elif home.plan.hard == "local_time":
        hours = float(utc_offsets_h(home.plan.timezone, window.start, window.days)[0])
    else:
        return columns
    intervals = round(hours * 60 / window.minutes)
    return {name: np.roll(series, intervals) for name, series in columns.items()}


def _blocks(size: int, count: int, longest: int, rng: np.random.Generator) -> Mask:
    """Return a mask with `count` blocks of up to `longest` intervals set."""
    mask = np.zeros(size, dtype=np.bool_)
    for _ in range(count):
        start = int(rng.integers(size))
        mask[start : start + int(rng.integers(1, max(2, longest + 1)))] = True
    return mask


def _misbehave(home: CleanHome, columns: Columns, rng: np.random.Generator) -> Columns:
    """Return the columns with the logger's stale repeats, zeroes and sign glitches."""
    plan, size = home.plan, columns["l1_w"].size
    days, hour = plan.window.days, max(1, 60 // plan.window.minutes)
    if plan.hard == "stale_repeats" or rng.random() < 0.04:
        stale = _blocks(size, max(1, days // 3 if plan.hard else 1), 6 * hour, rng)
        last = np.maximum.accumulate(np.where(stale, 0, np.arange(size)))
        columns = {name: series[last] for name, series in columns.items()}
    if plan.hard == "zero_dropouts" or rng.random() < 0.04:
        lost = _blocks(size, max(1, days // 2 if plan.hard else 1), 5 * hour, rng)
        columns = {name: np.where(lost & ~np.isnan(series), 0.0, series) for name, series in columns.items()}
    if plan.hard == "sign_glitches":
        flipped = _blocks(size, 3 * days, 1, rng)
        legs = [name for name in ("l1_w", "l2_w", "l3_w") if name in columns]
        columns |= {name: np.where(flipped, -columns[name], columns[name]) for name in legs}
    return columns


def _draw_kept(home: CleanHome, size: int, rng: np.random.Generator) -> Mask:
    """Return which intervals reach the lake: gaps, and nothing from before the install."""
    plan = home.plan
    days, hour = plan.window.days, max(1, 60 // plan.window.minutes)
    is_kept = np.ones(size, dtype=np.bool_)
    if plan.hard == "gaps":
        is_kept &= ~_blocks(size, days, 14 * hour, rng)
        is_kept &= ~_blocks(size, 2, 96 * hour, rng)
    elif rng.random() < 0.3:
        is_kept &= ~_blocks(size, int(rng.integers(1, 4)), 3 * hour, rng)
    late = (plan.commissioned_on - plan.window.start).days
    if late > 0:
        is_kept[: late * size // days] = False
    return is_kept
