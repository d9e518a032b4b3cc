"""What a night knows of its fleet before it looks at any one home: what is normal, and how many are faulty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.setting_sections import VerdictSettings
from pipeline.probes.measured import measure
from pipeline.scoring.design import symmetric_design
from pipeline.scoring.model import Model
from pipeline.scoring.normal import (
    NORMAL_SCHEMA,
    Normal,
    Spread,
    measure_deviations,
    normal_table,
    observe_spreads,
    sample_rows,
    shrink_spreads,
)  # fmt: skip

Float = NDArray[np.float64]
LEAST, MOST = 0.001, 0.5


@dataclass(frozen=True)
class FleetNormal:
    """What a fleet shows of itself.

    `normal` says how right homes scatter here; `rate` is the share of homes with a fault before a home's own data, and
    `fault_mix` how the faults share it (sums to 1); `table` is `fleet_normal` as published.
    """

    normal: Normal
    rate: float
    fault_mix: Mapping[str, float]
    table: pl.DataFrame


def learn_normal(signals: pl.DataFrame, model: Model, settings: VerdictSettings) -> FleetNormal:
    """Return what this fleet's homes say is normal, by themselves: no labels, and the same homes give the same.

    Of a big fleet an even part is looked at, so that this costs the same for a hundred thousand homes as for ten.
    """
    usual = model.rate(settings.base_rate)
    if signals.is_empty():
        return FleetNormal({}, usual, model.mix(), pl.DataFrame(schema=NORMAL_SCHEMA))
    rows = sample_rows(signals.height)
    measured = measure(signals[signals["site_id"].arg_sort().filter(pl.Series(rows))])
    seen = observe_spreads(measured)
    normal = shrink_spreads(seen, model.shipped_normal)
    # Homes without a probe that could speak say nothing of the fleet's share.
    log_ratio = model.log_odds(symmetric_design(measured, measure_deviations(measured, normal)).rows)
    rate = fleet_rate(log_ratio, usual, settings.rate_homes)
    return FleetNormal(normal, rate, model.mix(), normal_table(normal, seen, model.shipped_normal))


def fleet_rate(log_ratio: Float, usual: float, prior_homes: float) -> float:
    """Return the share of faulty homes by their own evidence, between LEAST and MOST.

    Parameters
    ----------
    log_ratio
        ln of how many times likelier each home's data are under a fault, (n,).
    usual
        Share before looking.
    prior_homes
        How many homes that share counts for.

    Notes
    -----
    Two groups (Efron 2004, as in `normal`): with r_i how many times likelier a home's data are under a fault, the
    fleet's share p is where the sum of ln(1 - p + p r_i) is largest; the prior keeps small fleets near the usual share.
    """
    ratio = np.exp(np.clip(log_ratio, -40.0, 40.0))
    rate = usual
    for _ in range(500):  # expectation and maximization; each step moves uphill
        faulty = rate * ratio / (1 - rate + rate * ratio)
        estimate = float((faulty.sum() + usual * prior_homes) / (ratio.size + prior_homes))
        estimate = min(max(estimate, LEAST), MOST)
        if abs(estimate - rate) < 1e-6 * rate:
            break
        rate = estimate
    return round(estimate, 6)


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
