"""What a leg that was not seen must have read, by the utility's meter less the other leg, and how well that is known.

T = (what both legs must sum to by the meter) - the other leg's reading. How far meter and legs lie apart where both
legs are right is read from such homes of the fleet: by a share of the power that all rows of a home have in common, and
by what each row adds (the meter counts in whole steps). Where no home can say, the limits of the instruments stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.core.line_columns import lines_in
from pipeline.core.quantiles import Z95
from pipeline.correction.raw_readings import with_raw

LEAST_HOMES, LEAST_ROWS = 5, 200
MOST_APART = 0.15  # a home whose meter lies further off its legs is not right, or not metered by this meter
TAIL = 0.95


@dataclass(frozen=True)
class MeterError:
    """Standard deviations of meter less legs.

    `common_share` of the power, alike in all rows of a home; of each row `floor_w` [W] and `row_share` of the power;
    `reach` row deviations hold 95 % of rows. `homes` say so.
    """

    common_share: float
    floor_w: float
    row_share: float
    reach: float
    homes: int


# The utility's meter is within 2 % on average in service (4 N.C. Admin. Code 11 R08-12), taken as two standard
# deviations, a class 1 CT of IEC 61869-2 within 1 to 3 %; 10 Wh is the coarsest step that interval meters count in.
UNKNOWN = MeterError(common_share=0.015, floor_w=25.0, row_share=0.015, reach=Z95, homes=0)


def fit_meter_error(rows: pl.DataFrame) -> MeterError:
    """Return how far meter and legs lie apart in homes whose legs are right; UNKNOWN where too few have a meter.

    `rows` as `raw_readings.with_raw` takes them.
    """
    raw = with_raw(rows)
    others = [f"raw_{leg}" for leg in lines_in(raw.columns, "raw_{}")[1:]]
    legs = sum((pl.col(name).fill_null(0.0) for name in others), pl.col("raw_l1"))
    error, power = pl.col("error"), pl.col("power")
    apart = (
        raw.select("site_id", power=_power("raw_l1", others), error=pl.col("metered_sum") - legs)
        .drop_nulls()
        .with_columns(share=((error * power).sum() / (power**2).sum()).over("site_id"))
        .filter(pl.col("share").abs() < MOST_APART, pl.len().over("site_id") >= LEAST_ROWS)
    )
    homes = apart["site_id"].n_unique()
    if homes < LEAST_HOMES:
        return UNKNOWN
    shares = apart.group_by("site_id").agg(pl.col("share").first())["share"]
    left = apart.with_columns(error=pl.col("error") - pl.col("share") * pl.col("power"))
    small = left.filter(pl.col("power") <= pl.col("power").median())
    floor = max(float(_rms(small["error"])), 1.0)
    excess = float(_rms(left["error"])) ** 2 - floor**2
    row_share = float(np.sqrt(max(excess, 0.0)) / max(float(_rms(left["power"])), 1.0))
    scaled = left["error"].abs() / (floor**2 + (row_share * left["power"]) ** 2).sqrt()
    # The share that holds 95 % of homes, if that is more: some production channels are off by a lot.
    common = max(float(_rms(shares)), float(np.quantile(np.abs(shares.to_numpy()), TAIL)) / Z95)
    return MeterError(common, floor, row_share, float(scaled.quantile(TAIL) or Z95), homes)


def metered_leg(others: Sequence[str], error: MeterError) -> dict[str, pl.Expr]:
    """Return legs' raw reading [W] by the meter less the `others`: value, low, high, common, scatter.

    `common` and `scatter` are standard deviations of what errs alike in all rows, and row by row. Without others it is
    the sum of all legs, or the one line of a home that has one.
    """
    raw = [f"raw_{leg}" for leg in others]
    value = pl.col("metered_sum") - (sum((pl.col(name) for name in raw[1:]), pl.col(raw[0])) if raw else 0.0)
    power = _power("metered_sum", raw)
    common = error.common_share * power
    scatter = (error.floor_w**2 + (error.row_share * power) ** 2).sqrt()
    width = ((Z95 * common) ** 2 + (error.reach * scatter) ** 2).sqrt()
    return {"value": value, "low": value - width, "high": value + width, "common": common, "scatter": scatter}


def _power(one: str, others: Sequence[str]) -> pl.Expr:
    """Return the power that the instruments measured between them [W]."""
    together = sum((pl.col(other).abs().fill_null(0.0) for other in others), pl.col(one).abs())
    return together + pl.col("seen").fill_null(0.0).abs()


def _rms(values: pl.Series) -> float:
    return float(np.sqrt(np.mean(values.to_numpy() ** 2))) if len(values) else 0.0
