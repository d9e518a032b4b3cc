"""Builds the homes of one street: powers, the street's voltages, clamps, and the rows as written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit, line_to_line_va
from pipeline.faults.clamps import Reading, Wiring, measure
from pipeline.simulate.families import logger
from pipeline.simulate.families.draw import right_wiring
from pipeline.simulate.families.home import Area, Home
from pipeline.simulate.families.loads import Loads
from pipeline.simulate.families.powers import Powers, crest_powers
from pipeline.simulate.families.rough_monitor import Monitor
from pipeline.simulate.families.spec import UnlikeSpec
from pipeline.simulate.families.street import Drop, solve_street
from pipeline.simulate.families.sunny_powers import sunny_powers
from pipeline.simulate.families.unequal_service import solve_service
from pipeline.simulate.families.witness import Dealt, bundled, witness

__all__ = ["MEASURES", "Built", "Powers", "build_street", "circuit_of", "powers_of"]

Float = NDArray[np.float64]
MEASURES = (
    "l1_w", "l2_w", "pv_w", "l1_v", "l2_v", "l1_var", "l2_var", "battery_w", "import_wh", "export_wh",
)  # fmt: skip
NEW_DAYS = (2, 7)
PRODUCTION_FACTORS = (0.5, 2.0, 1.25)  # one phase of two counted, or both twice; another rating of its CT


@dataclass(frozen=True)
class Built:
    """A home as built: its facts, the wiring at the end of the window, its rows, its witness columns."""

    home: Home
    wiring: Wiring
    rows: pl.DataFrame
    witness: dict[str, float | None]
    first_day: int  # of the window, from which it has rows


def build_street(
    spec: UnlikeSpec, homes: Sequence[Home], areas: Sequence[Area], pool: Path | None = None
) -> list[Built]:
    """Return the homes of one street, in order; only family "crest" needs its `pool` of households."""
    rngs = [
        np.random.default_rng(np.random.SeedSequence(spec.seed, spawn_key=(5, home.number))) for home in homes
    ]
    powers = [
        powers_of(spec, home, areas[home.area], pool, rng) for home, rng in zip(homes, rngs, strict=True)
    ]
    street = np.random.default_rng(np.random.SeedSequence(spec.seed, spawn_key=(6, homes[0].street)))
    drops = [_drop(spec, home, power) for home, power in zip(homes, powers, strict=True)]
    solve = solve_street if spec.family == "crest" else solve_service
    volts = solve(homes[0].service, drops, spec.minutes, street)
    return [
        _built(spec, home, areas[home.area], power, volt, rng)
        for home, power, volt, rng in zip(homes, powers, volts, rngs, strict=True)
    ]


def powers_of(
    spec: UnlikeSpec, home: Home, area: Area, pool: Path | None, rng: np.random.Generator
) -> Powers:
    """Return the home's true powers over the window, as its family draws them."""
    if spec.family == "weather":
        return sunny_powers(spec, home, area, rng)
    if spec.family == "measured":
        from pipeline.simulate.families import (
            measured,  # reads its measurements, which only this family needs
        )

        return measured.powers_of(spec, home, area, rng)
    if pool is None:
        raise ValueError("family crest deals its households from a pool")
    return crest_powers(spec, home, area, pool, rng)


def _mean(values: NDArray[np.complex128], minutes: int) -> NDArray[np.complex128]:
    averaged: NDArray[np.complex128] = values.reshape(-1, minutes).mean(axis=1)
    return averaged


def _drop(spec: UnlikeSpec, home: Home, power: Powers) -> Drop:
    one, two, line = power.loads.leg(1), power.loads.leg(2), power.loads.line
    other_w = power.battery_w + power.hidden_w
    if home.service == "single":
        one, line = one + line - power.pv_va - other_w, line * 0
    else:
        line = line - other_w
        if home.pv_leg == "both":
            line = line - power.pv_va
        elif home.pv_leg == "l1":
            one = one - power.pv_va
        else:
            two = two - power.pv_va
    means = [_mean(va, spec.minutes) for va in (one, two, line)]
    return Drop(means[0], means[1], means[2], has_loose_neutral=home.hard == "loose_neutral")


def circuit_of(home: Home, power: Powers, v1: Float, v2: Float) -> Circuit:
    """Return the home's circuit at one minute; voltages [V] shape (n,)."""
    va = power.loads.va
    halves = [line_to_line_va(va[at], v1, v2, service=home.service) for at in (4, 5)]
    circuit = bundled(
        (va[0] + halves[0][0], va[1] + halves[1][0]), (va[2] + halves[0][1], va[3] + halves[1][1]),
        power.pv_w, power.battery_w + power.hidden_w, v1, v2, home.service, home.pv_leg,
    )  # fmt: skip
    if power.pv_tan is None:
        return circuit
    # S = V conj(I): reactive power on top of the same real power turns the inverter's current
    more_1, more_2 = (-1j * power.pv_tan * amps for amps in (circuit.pv_1, circuit.pv_2))
    return replace(
        circuit, pv_1=circuit.pv_1 + more_1, pv_2=circuit.pv_2 + more_2,
        source_1=circuit.source_1 + more_1, source_2=circuit.source_2 + more_2,
    )  # fmt: skip


def _built(
    spec: UnlikeSpec,
    home: Home,
    area: Area,
    power: Powers,
    volts: tuple[Float, Float],
    rng: np.random.Generator,
) -> Built:
    v1, v2 = (np.repeat(volt, spec.minutes) for volt in volts)
    circuit = circuit_of(home, power, v1, v2)
    sound = logger.within_class(right_wiring(home), rng)
    if home.hard == "crossed_and_turned":
        sound = sound.crossed_and_turned()
    wiring, reading = sound, measure(circuit, sound)
    if home.fault != "sound":
        wiring = CATALOGUE[home.fault].effect(sound, circuit, home.leg, rng)
        wrong = measure(circuit, wiring)
        reading = reading.then(wrong, home.onset_min) if home.onset_min else wrong
    if home.hard == "production_scaled":  # the CTs are right, the production reading isn't
        reading = replace(reading, produced_w=reading.produced_w * float(rng.choice(PRODUCTION_FACTORS)))
    if home.hard == "sign_glitches":
        reading = logger.sign_glitches(reading, rng)
    if spec.family == "weather":
        monitor = Monitor.draw(rng, spec.minutes)
        manners, means = monitor.manners, monitor.averaged(reading, spec.minutes)
    else:
        manners, means = logger.Manners.draw(rng), reading.averaged(spec.minutes)
    columns = _columns(spec, home, means, circuit, power, volts)
    rows = _rows(spec, home, columns, manners, rng)
    first_day = 0
    if home.hard == "new_site":
        first_day = spec.days - min(int(rng.integers(*NEW_DAYS)), spec.days - 1)
        since = spec.start + timedelta(days=first_day)
        rows = rows.filter(pl.col("interval_start") >= since)
    rows = logger.lose_some(logger.misbehave(rows, home.hard, spec.minutes, area.offset_min, rng), rng)
    seen = witness(wiring, _dealt(power.loads), home.roof is not None, home.pv_leg)
    return Built(home, wiring, rows, seen, first_day)


def _columns(
    spec: UnlikeSpec,
    home: Home,
    reading: Reading,
    circuit: Circuit,
    power: Powers,
    volts: tuple[Float, Float],
) -> dict[str, Float]:
    """Return what the home reports an interval, before the logger's noise: only the columns it has."""
    columns = {"l1_w": reading.l1_w}
    legs = (1,) if home.service == "single" else (1, 2)
    if 2 in legs:
        columns["l2_w"] = reading.l2_w
    if home.roof is not None:
        columns["pv_w"] = reading.pv_w
    if home.has_volts:
        columns |= {f"l{leg}_v": volts[leg - 1] for leg in legs}
    if home.has_var:
        columns |= {f"l{leg}_var": (reading.l1_var, reading.l2_var)[leg - 1] for leg in legs}
    if home.has_battery_w:
        columns["battery_w"] = power.battery_w.reshape(-1, spec.minutes).mean(axis=1)
    if home.has_meter:
        net_w = sum(va.real for va in circuit.load_va) - sum(va.real for va in circuit.source_va)
        for name, part in (("import_wh", np.maximum(net_w, 0)), ("export_wh", np.maximum(-net_w, 0))):
            columns[name] = part.reshape(-1, spec.minutes).sum(axis=1) / 60
    return columns


def _rows(
    spec: UnlikeSpec,
    home: Home,
    columns: dict[str, Float],
    manners: logger.Manners,
    rng: np.random.Generator,
) -> pl.DataFrame:
    """Return the rows as the logger writes them, every measure column present."""
    written = logger.written(columns, manners, rng)
    if home.is_clipped:
        written |= {name: np.maximum(written[name], 0.0) for name in ("l1_w", "l2_w") if name in written}
    starts = pl.datetime_range(
        spec.start, spec.start + timedelta(days=spec.days), f"{spec.minutes}m", closed="left", eager=True
    )
    return pl.DataFrame(
        [starts.alias("interval_start").cast(pl.Datetime("us"))]
        + [pl.Series(name, written.get(name, [None] * len(starts)), dtype=pl.Float64) for name in MEASURES]
    )


def _dealt(loads: Loads) -> Dealt:
    kwh = loads.va.real.sum(axis=1)

    def share(a: float, b: float) -> float:
        return a / (a + b) if a + b > 0 else 0.5

    line = kwh[4] + kwh[5]
    return Dealt(share(kwh[0], kwh[1]), share(kwh[2], kwh[3]), share(kwh[4], kwh[5]) if line > 0 else None)
