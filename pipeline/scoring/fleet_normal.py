"""What a night knows of its fleet before it looks at any one home: what is normal, and how many are faulty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.core.setting_sections import VerdictSettings
from pipeline.probes.measured import measure
from pipeline.scoring.design import alike
from pipeline.scoring.fleet_rate import fleet_rate
from pipeline.scoring.model import Model
from pipeline.scoring.normal import (
    NORMAL_SCHEMA,
    Normal,
    Spread,
    deviations,
    lean,
    normal_table,
    observe,
    taken,
)


@dataclass(frozen=True)
class FleetNormal:
    """The fleet's own yardstick.

    `normal` says how right homes scatter here; `rate` is the share of homes with a fault before a home's own data, and
    `fault_mix` how the faults share it (sums to 1); `table` is `fleet_normal` as published.
    """

    normal: Normal
    rate: float
    fault_mix: Mapping[str, float]
    table: pl.DataFrame


def learn_normal(signals: pl.DataFrame, model: Model, own: VerdictSettings) -> FleetNormal:
    """Return what this fleet's homes say is normal, by themselves: no labels, and the same homes give the same.

    Of a big fleet an even part is looked at, so that this costs the same for a hundred thousand homes as for ten.
    """
    usual = model.rate(own.base_rate)
    if signals.is_empty():
        return FleetNormal({}, usual, model.mix(), pl.DataFrame(schema=NORMAL_SCHEMA))
    some = signals[signals["site_id"].arg_sort().filter(pl.Series(taken(signals.height)))]
    measured = measure(some)
    seen = observe(measured)
    normal = lean(seen, model.shipped_normal)
    # Homes without a probe that could speak say nothing of the fleet's share.
    log_ratio = model.log_odds(alike(measured, deviations(measured, normal)).rows)
    rate = fleet_rate(log_ratio, usual, own.rate_homes)
    return FleetNormal(normal, rate, model.mix(), normal_table(normal, seen, model.shipped_normal))


def normal_from(table: pl.DataFrame, rate: float, fault_mix: Mapping[str, float]) -> FleetNormal:
    """Return what a night knew of its fleet, from its published table `fleet_normal`."""
    rows = table.select(
        "probe", "quantity", "stratum", "centre", "spread", "homes", "tail", "outer"
    ).iter_rows()
    normal = {
        (f"{probe}.{quantity}", stratum): Spread(centre, spread, homes, tail=tail, outer=outer)
        for probe, quantity, stratum, centre, spread, homes, tail, outer in rows
    }
    return FleetNormal(normal, rate, fault_mix, table)
