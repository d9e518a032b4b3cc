"""Injects faults into a real home's readings: the circuit behind them, the catalogue's effect, the columns again.

The readings are taken as right. Upstream a leg's load is reading + its part of the sources, at the loads it is the
reading; production that the source added back is taken off first. Clipping loses nothing here: a sound reading with
production added back is the load, and only its noise falls below 0. What the readings don't say is assumed:

- no reactive power: each leg's load has a constant var per W, drawn from [own_fleet] tangent_low to tangent_high;
- no leg voltages: nominal ones;
- inverter and battery between the legs, production metered at one inverter conductor or at both, drawn (only a
  fault that takes a leg's lead for production's asks);
- which bundle a load is in: what lies above the home's base is drawn anew whenever the load steps up, bundle a or b
  on both legs at once. A constant share would make a lost bundle look like a loose core; real bundles hold
  appliances, and those of 240 V hold their two conductors in one.

A home's noise, rounding, nulls and gaps are its own and stay where they are; leg voltages and the utility meter
don't go through the CTs and stay as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.contract import SERVICE_LEG_V
from pipeline.core.setting_sections import OwnFleetSettings
from pipeline.faults.circuit import Circuit, Complex, Float
from pipeline.faults.cts import Wiring, measure
from pipeline.faults.reading import Reading
from pipeline.faults.types import Fault

# Columns that come through the CTs.
CLAMPED = ("l1_w", "l2_w", "pv_w", "l1_var", "l2_var")
VOLT_SPAN = 0.3  # leg voltages further than this share from nominal are no voltages
RECORD_AGREES = 0.6  # how often the record's ct_location is wrong together with a wrong ct_sees_pv


@dataclass(frozen=True)
class RealHome:
    """A home whose readings are right, as a circuit on the grid of its intervals.

    `rows` are its interval rows (n), `index` their places on the grid (n,), `site` its row of the register,
    `wiring` the sound wiring that its readings came through, `steps` what each column is rounded to (0: not).
    """

    site: Mapping[str, Any]
    rows: pl.DataFrame
    index: NDArray[np.int64]
    circuit: Circuit
    wiring: Wiring
    steps: Mapping[str, float]


@dataclass(frozen=True)
class Injected:
    """What the home puts into a lake with the fault: interval rows, its row of the register, the severity."""

    rows: pl.DataFrame
    site: dict[str, Any]
    severity: str | None


def restore(
    rows: pl.DataFrame, site: Mapping[str, Any], rng: np.random.Generator, *, settings: OwnFleetSettings
) -> RealHome | None:
    """Return the circuit that these readings come from, or None where the position or the grid is not known.

    Parameters
    ----------
    rows, site
        A home's rows of table interval_used, sorted by interval_start, and its row of the sites register.
    rng, settings
        For what the readings don't say, see the module; [own_fleet].
    """
    grid = _grid(rows["interval_start"])
    if grid is None or site["ct_sees_pv"] is None:
        return None
    index, minutes = grid
    wiring = Wiring.sound(
        site["service"] or "120/240",
        bool(site["ct_sees_pv"]),
        2 if (site["cts_per_leg"] or 1) > 1 else 1,
        production_by="line" if rng.random() < 0.5 else "leg",
        production_leg=int(rng.integers(1, 3)),
        pv_added_back=bool(site["pv_added_back"]),
    )
    column = {name: _on_grid(rows[name], index) for name in (*CLAMPED, "l1_v", "l2_v", "battery_w")}
    if wiring.pv_added_back and not (rows.select(pl.col("l1_w", "l2_w") < 0).to_numpy() == 1).any():
        wiring = replace(wiring, is_clipped=bool(rng.random() < 0.5))
    circuit = _circuit(column, wiring, minutes, rng, settings)
    steps = {name: _step_of(rows[name], minutes) for name in CLAMPED}
    return RealHome(dict(site), rows, index, circuit, wiring, steps)


def inject(
    home: RealHome, fault: Fault, leg: str, *, rng: np.random.Generator, onset_share: float | None = None
) -> Injected:
    """Return the home's rows with `fault` on `leg`.

    Parameters
    ----------
    home, fault, leg
        A home whose readings are right, and what goes wrong on which leg.
    rng
        Draws the fault's severity.
    onset_share
        Where in its time [0, 1) the fault starts; None: before its first day. A wrong record has no such moment.
    """
    right = measure(home.circuit, home.wiring)
    wiring = fault.effect(home.wiring, home.circuit, leg, rng)
    reading = measure(home.circuit, wiring)
    site = dict(home.site)
    if wiring.declared_sees_pv != home.wiring.declared_sees_pv:
        site["ct_sees_pv"] = wiring.declared_sees_pv
        if site["ct_location"] and rng.random() < RECORD_AGREES:
            site["ct_location"] = "service_entrance" if wiring.declared_sees_pv else "load_conductors"
    elif onset_share is not None:
        reading = right.then(reading, int(onset_share * home.circuit.size))
    return Injected(report(home, reading), site, wiring.severity or None)


def report(home: RealHome, reading: Reading) -> pl.DataFrame:
    """Return the home's rows with the clamped columns of this reading.

    They are empty where they were empty, and where they show the current of a leg whose power is not known.
    """
    columns = []
    for name in CLAMPED:
        values = getattr(reading, name)[home.index]
        if home.steps[name]:
            values = np.round(values / home.steps[name]) * home.steps[name]
        series = pl.Series(name, np.round(values, 4) + 0.0).fill_nan(None)
        columns.append(pl.when(pl.col(name).is_not_null()).then(series).alias(name))
    return home.rows.with_columns(columns)


def _grid(starts: pl.Series) -> tuple[NDArray[np.int64], float] | None:
    """Return each row's place on the grid of the home's usual interval [min], or None if two share one."""
    times = starts.dt.epoch("s").to_numpy()
    if times.size < 2:
        return None
    minutes = float(np.median(np.diff(times))) / 60.0
    index = np.rint((times - times[0]) / 60.0 / minutes).astype(np.int64)
    return (index, minutes) if (np.diff(index) > 0).all() else None


def _on_grid(series: pl.Series, index: NDArray[np.int64]) -> Float:
    out = np.full(int(index[-1]) + 1, np.nan)
    out[index] = series.cast(pl.Float64).fill_null(np.nan).to_numpy()
    return out


def _circuit(
    column: Mapping[str, Float],
    wiring: Wiring,
    minutes: float,
    rng: np.random.Generator,
    settings: OwnFleetSettings,
) -> Circuit:
    """Return the circuit behind these readings; a leg is NaN where its reading is."""
    service = wiring.service
    nominal = SERVICE_LEG_V[service]
    volts = np.array([
        np.where(np.abs(column[f"{leg}_v"] / nominal - 1) < VOLT_SPAN, column[f"{leg}_v"], nominal)
        for leg in wiring.legs
    ])  # fmt: skip
    reported_w, battery_w = np.nan_to_num(column["pv_w"]), np.nan_to_num(column["battery_w"])
    none = np.zeros_like(volts)
    # What the production channel reports of 1 W: not quite 1 where it goes by one leg's voltage.
    unit = measure(
        Circuit.from_powers(none, none[0] + 1.0, battery_w=0.0, volts=volts, service=service), wiring
    )
    pv_w = reported_w / unit.produced_w
    sources = Circuit.from_powers(none, pv_w, battery_w=battery_w, volts=volts, service=service).source_va
    loads: list[Complex] = []
    for leg, source in zip(wiring.legs, sources, strict=True):
        behind = source if wiring.sees_pv else np.zeros_like(source)
        load_w = column[f"{leg}_w"] - unit.added_share * reported_w + behind.real
        tangent = float(rng.uniform(settings.tangent_low, settings.tangent_high))
        measured = column[f"{leg}_var"] + behind.imag
        loads.append(load_w + 1j * np.where(np.isnan(measured), tangent * load_w, measured))
    circuit = Circuit.from_powers(
        np.array(loads), pv_w, battery_w=battery_w, volts=volts, service=service, minutes=minutes
    )
    total_w = np.array(loads).real.sum(axis=0)
    seed = int(rng.integers(2**32))
    shares = [_bundle_a(load.real, total_w, seed, settings) for load in loads]
    return circuit.with_bundle_shares(np.array(shares))


def _bundle_a(load_w: Float, total_w: Float, seed: int, settings: OwnFleetSettings) -> Float:
    """Return the share [0, 1] of a leg's load that leaves in bundle a at each step.

    The same `seed` puts both legs' loads into the same bundles.
    """
    rng = np.random.default_rng(seed)
    base_share, a_share = rng.uniform(0.25, 0.75, 2)
    known, every = np.nan_to_num(load_w), np.nan_to_num(total_w)
    base_w = max(float(np.quantile(known, settings.base_quantile)), 0.0)
    event = np.cumsum(np.diff(every, prepend=every[0]) > settings.bundle_step_w)
    is_a = rng.random(int(event[-1]) + 1) < a_share
    above_w = np.maximum(known - base_w, 0.0)
    part_w = base_share * np.minimum(np.maximum(known, 0.0), base_w) + above_w * is_a[event]
    return np.asarray(np.where(known > 0, part_w / np.maximum(known, 1e-9), base_share))


def _step_of(series: pl.Series, minutes: float) -> float:
    """Return what this column's values are multiples of [W or var]: whole or tenth W or Wh; 0 if of nothing."""
    values = series.drop_nulls().to_numpy()
    if not np.any(values):
        return 0.0
    for step in sorted({10.0, 1.0, 0.1, 600.0 / minutes, 60.0 / minutes, 6.0 / minutes}, reverse=True):
        if np.abs(values / step - np.rint(values / step)).max() * step < 1e-6:
            return step
    return 0.0
