"""What a night knows of its fleet before it looks at any one home: what is normal, and how many are faulty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.setting_sections import VerdictSettings
from pipeline.probes.line_rows import THREE, TWO, by_line_count
from pipeline.probes.measured import OF_THREE_LINES, measure
from pipeline.scoring.design import symmetric_design
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import model_for
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
    `fault_mix` how the faults share it (sums to 1); `table` is `fleet_normal` as published. `three_lines` is the
    same of the homes of three lines, which are compared among themselves; None where there are none.
    """

    normal: Normal
    rate: float
    fault_mix: Mapping[str, float]
    table: pl.DataFrame
    three_lines: FleetNormal | None = None

    def of(self, line_count: int) -> FleetNormal:
        """Return what the fleet's homes of so many lines show; of none of three lines, what all others do."""
        return self.three_lines or self if line_count == THREE else self


def learn_normal(signals: pl.DataFrame, model: Model, settings: VerdictSettings) -> FleetNormal:
    """Return what this fleet's homes say is normal, by themselves: no labels, and the same homes give the same.

    Homes of three lines are a part by themselves, with its own share of faulty homes; a part of few homes leans on what
    many other fleets show.
    """
    parts = {
        line_count: _learn_part(homes, model_for(model, line_count), settings)
        for line_count, homes in by_line_count(signals)
    }
    three = parts.get(THREE)
    if three is None:
        return parts[TWO]
    few = parts.get(TWO) or FleetNormal({}, three.rate, model.mix(), pl.DataFrame(schema=NORMAL_SCHEMA))
    return replace(few, table=pl.concat([few.table, three.table]), three_lines=three)


def _learn_part(signals: pl.DataFrame, model: Model, settings: VerdictSettings) -> FleetNormal:
    """Return what homes that all have three lines or all fewer show of themselves.

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
    table = normal_table(normal, seen, model.shipped_normal)
    if model.line_count == THREE:
        table = table.with_columns(pl.col("stratum") + OF_THREE_LINES, pl.lit(rate).alias("base_rate"))
    return FleetNormal(normal, rate, model.mix(), table.cast(NORMAL_SCHEMA))


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
    """Return what a night knew of its fleet, from its published table `fleet_normal`.

    `rate` and `fault_mix` are of homes of up to two lines; those of three lines have their rate in the table.
    """
    is_three = pl.col("stratum").str.ends_with(OF_THREE_LINES)
    of_three = table.filter(is_three).with_columns(pl.col("stratum").str.strip_suffix(OF_THREE_LINES))
    fleet = FleetNormal(_normal_of(table.filter(~is_three)), rate, fault_mix, table)
    if of_three.is_empty():
        return fleet
    three = FleetNormal(_normal_of(of_three), float(of_three["base_rate"][0]), fault_mix, of_three)
    return replace(fleet, three_lines=three)


def _normal_of(table: pl.DataFrame) -> Normal:
    rows = table.select(
        "probe", "quantity", "stratum", "centre", "spread", "homes", "tail", "outer"
    ).iter_rows()
    return {
        (f"{probe}.{quantity}", stratum): Spread(centre, spread, homes, tail=tail, outer=outer)
        for probe, quantity, stratum, centre, spread, homes, tail, outer in rows
    }
