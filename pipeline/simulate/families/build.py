"""Builds the homes of one street: powers, the street's voltages, CTs, and the rows as written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import TypeVar

import numpy as np
import polars as pl

from pipeline.core.services import LINES, service_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit, Complex, Float, numbers_of
from pipeline.faults.cts import Wiring, measure
from pipeline.faults.reading import Reading
from pipeline.simulate.connections import home_circuit
from pipeline.simulate.crossed_wiring import TURNED_SHARE, turn_some
from pipeline.simulate.families import logger
from pipeline.simulate.families.draw import right_wiring
from pipeline.simulate.families.powers import Powers, powers_of
from pipeline.simulate.families.spec import Area, Home, UnlikeSpec
from pipeline.simulate.families.street import Drop, LineDrop, solve_street
from pipeline.simulate.families.three_lines import solve_three_lines
from pipeline.simulate.families.unequal_service import solve_service
from pipeline.simulate.families.witness import WITNESS_COLUMNS, BundleShares, witness
from pipeline.simulate.service_draws import is_dealt_anew
from pipeline.simulate.spec import seeded_rng

Values = TypeVar("Values", Float, Complex)
MEASURES = (
    "l1_w", "l2_w", "pv_w", "l1_v", "l2_v", "l1_var", "l2_var", "battery_w", "import_wh", "export_wh",
)  # fmt: skip
NEW_DAYS = (2, 7)
PRODUCTION_FACTORS = (0.5, 2.0, 1.25)  # one phase of two counted, or both twice; another rating of its CT


@dataclass(frozen=True)
class BuiltHome:
    """A home as built: its facts, the wiring at the end of the window, its rows, its witness columns.

    `right` is what its monitor would have read of a right install, before the logger's noise, an interval.
    """

    home: Home
    wiring: Wiring
    rows: pl.DataFrame
    witness: dict[str, float | None]
    first_day: int  # of the window, from which it has rows
    right: Reading


def build_street(
    spec: UnlikeSpec, homes: Sequence[Home], areas: Sequence[Area], *, pool: Path | None = None
) -> list[BuiltHome]:
    """Return the homes of one street, in order.

    Parameters
    ----------
    spec
        The fleet.
    homes
        All homes of the street.
    areas
        The fleet's areas, by `draw.areas`.
    pool
        Folder of households that only family "crest" needs.
    """
    rngs = [seeded_rng(spec.seed, 5, home.number) for home in homes]
    powers = [
        powers_of(spec, home, areas[home.area], pool=pool, rng=rng)
        for home, rng in zip(homes, rngs, strict=True)
    ]
    street = seeded_rng(spec.seed, 6, homes[0].street)
    volts = _solve_voltages(spec, homes, powers, rng=street)
    return [
        _build_home(spec, home, areas[home.area], power, volt, rng)
        for home, power, volt, rng in zip(homes, powers, volts, rngs, strict=True)
    ]


def _mean(values: Values, minutes: int) -> Values:
    averaged: Values = values.reshape(-1, minutes).mean(axis=1)
    return averaged


def _solve_voltages(
    spec: UnlikeSpec, homes: Sequence[Home], powers: Sequence[Powers], *, rng: np.random.Generator
) -> Sequence[tuple[Float, ...]]:
    """Return each home's line voltages an interval, as `street.solve_street` gives them."""
    service = homes[0].service
    if is_dealt_anew(service):
        solve = solve_street if spec.family == "crest" else solve_three_lines
        drops = [_line_drop(spec, home, power) for home, power in zip(homes, powers, strict=True)]
        return solve(service, drops, minutes=spec.minutes, rng=rng)
    solve_legs = solve_street if spec.family == "crest" else solve_service
    legs = [_drop(spec, home, power) for home, power in zip(homes, powers, strict=True)]
    return solve_legs(service, legs, minutes=spec.minutes, rng=rng)


def _line_drop(spec: UnlikeSpec, home: Home, power: Powers) -> LineDrop:
    nominal = circuit_of(home, power, service_of(home.service).volts)
    net_va = nominal.load_va - nominal.source_va
    means = net_va.reshape(len(net_va), -1, spec.minutes).mean(axis=2)
    return LineDrop(means, has_loose_neutral=home.hard == "loose_neutral")


def _drop(spec: UnlikeSpec, home: Home, power: Powers) -> Drop:
    leg_1, leg_2, line = power.loads.leg(1), power.loads.leg(2), power.loads.line
    other_w = power.battery_w + power.hidden_w
    if home.service == "single":
        leg_1, line = leg_1 + line - power.pv_va - other_w, line * 0
    else:
        line = line - other_w
        if home.pv_leg == "both":
            line = line - power.pv_va
        elif home.pv_leg == "l1":
            leg_1 = leg_1 - power.pv_va
        else:
            leg_2 = leg_2 - power.pv_va
    leg_1, leg_2, line = (_mean(va, spec.minutes) for va in (leg_1, leg_2, line))
    return Drop(leg_1, leg_2, line, has_loose_neutral=home.hard == "loose_neutral")


def circuit_of(home: Home, power: Powers, volts: Float | float) -> Circuit:
    """Return the home's circuit at one minute; voltages of its lines [V]: a number or shape (lines, n)."""
    circuit = home_circuit(
        power.loads.by_line(volts), power.pv_w, battery_w=power.battery_w, other_w=power.hidden_w,
        service=home.service, volts=volts, minutes=1.0, pv_lines=home.pv_lines,
    )  # fmt: skip
    if power.pv_tan is None:
        return circuit
    # S = V conj(I): reactive power on top of the same real power turns the inverter's current
    more = -1j * power.pv_tan * circuit.pv
    return replace(circuit, pv=circuit.pv + more, source=circuit.source + more)


def _build_home(
    spec: UnlikeSpec,
    home: Home,
    area: Area,
    power: Powers,
    volts: tuple[Float, ...],
    rng: np.random.Generator,
) -> BuiltHome:
    count = service_of(home.service).line_count
    circuit = circuit_of(home, power, np.repeat(np.array(volts[:count]), spec.minutes, axis=1))
    sound = logger.within_class(right_wiring(home), rng)
    if home.hard == "crossed_and_turned":
        sound = sound.crossed_and_turned()
    wiring, reading = sound, measure(circuit, sound)
    right = reading
    if home.fault != "sound":
        wiring = CATALOGUE[home.fault].effect(sound, circuit, home.leg, rng)
        wiring = turn_some(wiring, TURNED_SHARE, seeded_rng(spec.seed, 11, home.number))
        reading = reading.then(measure(circuit, wiring), home.onset_min)
    if home.hard == "production_scaled":  # the CTs are right, the production reading isn't
        reading = replace(reading, produced_w=reading.produced_w * float(rng.choice(PRODUCTION_FACTORS)))
    if home.hard == "sign_glitches":
        reading = logger.sign_glitches(reading, rng)
    monitor = logger.Monitor.draw(rng, spec.minutes, is_rough=spec.family == "weather")
    means = monitor.averaged(reading, spec.minutes)
    columns = _reported_columns(spec, home, means, circuit, power, volts)
    columns = logger.add_noise(columns, monitor.noise, rng)
    if home.is_clipped:
        columns |= {
            name: np.maximum(columns[name], 0.0) for name in ("l1_w", "l2_w", "l3_w") if name in columns
        }
    starts = np.datetime64(spec.start, "us") + np.arange(spec.rows) * np.timedelta64(spec.minutes, "m")
    rows = pl.DataFrame({"interval_start": starts, **columns})
    named = (*MEASURES, *(name for name in columns if name not in MEASURES))
    rows = rows.select("interval_start", *(
        pl.col(name) if name in columns else pl.lit(None, pl.Float64).alias(name) for name in named
    ))  # fmt: skip
    first_day = 0
    if home.hard == "new_site":
        first_day = spec.days - min(int(rng.integers(*NEW_DAYS)), spec.days - 1)
        rows = rows.filter(pl.col("interval_start") >= spec.start + timedelta(days=first_day))
    rows = logger.misbehave(rows, home.hard, minutes=spec.minutes, offset_min=area.offset_min, rng=rng)
    rows = logger.lose_some(rows, rng)
    columns_of_witness = dict.fromkeys(WITNESS_COLUMNS)
    if count < 3:
        shares = BundleShares.of(power.loads)
        columns_of_witness = witness(wiring, shares, home.roof is not None, pv_leg=home.pv_leg)
    return BuiltHome(home, wiring, rows, columns_of_witness, first_day, monitor.averaged(right, spec.minutes))


def _reported_columns(
    spec: UnlikeSpec,
    home: Home,
    reading: Reading,
    circuit: Circuit,
    power: Powers,
    volts: tuple[Float, ...],
) -> dict[str, Float]:
    """Return what the home reports an interval, before the logger's noise: only the columns it has."""
    lines = LINES[: service_of(home.service).line_count]
    columns = {f"{line}_w": reading.line_w(row) for row, line in enumerate(lines, start=1)}
    if home.roof is not None:
        columns |= _production(home, reading, power, spec.minutes)
    if home.has_volts:
        columns |= {f"{line}_v": volts[row] for row, line in enumerate(lines)}
    if home.has_var:
        columns |= {f"{line}_var": reading.line_var(row) for row, line in enumerate(lines, start=1)}
    if home.has_battery_w:
        columns["battery_w"] = _mean(power.battery_w, spec.minutes)
    if home.has_meter:
        net_w = sum(va.real for va in circuit.load_va) - sum(va.real for va in circuit.source_va)
        for name, power_w in (("import_wh", np.maximum(net_w, 0)), ("export_wh", np.maximum(-net_w, 0))):
            columns[name] = power_w.reshape(-1, spec.minutes).sum(axis=1) / 60
    return columns


def _production(home: Home, reading: Reading, power: Powers, minutes: int) -> dict[str, Float]:
    """Return production, of each line that the inverter feeds where the source gives that and it is production."""
    made_w = _mean(power.pv_w, minutes)
    is_right = np.abs(reading.pv_w - made_w).mean() < 0.1 * made_w.mean() + 5.0
    if not home.is_by_line or not is_right:
        return {"pv_w": reading.pv_w}
    fed = [LINES[row] for row in numbers_of(home.pv_lines, home.service)]
    return {f"pv_{line}_w": reading.pv_w / len(fed) for line in fed}
