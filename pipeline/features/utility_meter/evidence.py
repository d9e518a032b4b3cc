"""What a home's utility meter says of its CTs: the sums that site_window has of a meter in the rows, hour by hour."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.setting_sections import DaySettings, UtilitySettings
from pipeline.features.utility_meter.clock_offset import clock_offset_min, squares, squares_left
from pipeline.features.utility_meter.series import (
    HOUR_MIN,
    Float,
    HomeHours,
    MeterSeries,
    home_hours,
    limit_to_dark,
    meter_series,
    net_power,
)

# As of kernels.meter, summed over hours; production and battery that a home hasn't are 0.
PRODUCTS = (
    ("nm_n1", -1, 0), ("nm_n2", -1, 1), ("nm_np", -1, 2), ("nm_nb", -1, 3), ("nm_nn", -1, -1), ("nm_11", 0, 0),
    ("nm_22", 1, 1), ("nm_12", 0, 1), ("nm_1p", 0, 2), ("nm_2p", 1, 2), ("nm_pp", 2, 2), ("nm_1b", 0, 3),
    ("nm_2b", 1, 3), ("nm_pb", 2, 3), ("nm_bb", 3, 3),
)  # fmt: skip
LEVELS = ("ne_net", "ne_l1", "ne_l2")
# The same of a third line, null where the home has none.
THIRD_PRODUCTS = (
    ("nm_n3", -1, 4), ("nm_33", 4, 4), ("nm_13", 0, 4), ("nm_23", 1, 4), ("nm_3p", 4, 2), ("nm_3b", 4, 3)
)  # fmt: skip
THIRD_LINE = (*(name for name, _, _ in THIRD_PRODUCTS), "ne_l3")
# Why a file is no evidence, said after "a utility file that".
TOO_FEW, NOT_FOLLOWING = (
    "has too few hours in common with the readings",
    "doesn't follow this home's readings",
)
EVIDENCE = pl.Schema(
    {
        "site_id": pl.String(), "meter_offset_min": pl.Int64(), "meter_from_on": pl.Date(), "meter_to_on": pl.Date(),
        "meter_hours": pl.Int64(), "is_dark_only": pl.Boolean(), "why_not": pl.String(), "nm_n": pl.Float64(),
        **dict.fromkeys((name for name, _, _ in PRODUCTS), pl.Float64()), **dict.fromkeys(LEVELS, pl.Float64()),
        **dict.fromkeys(THIRD_LINE, pl.Float64()),
    }
)  # fmt: skip


def meter_evidence(
    utility: pl.DataFrame, hours: pl.DataFrame, *, settings: UtilitySettings, day: DaySettings
) -> pl.DataFrame:
    """Return what the meters say, one row a home with rows in both tables, sorted by site_id.

    Parameters
    ----------
    utility
        Rows of table UTILITY, those of a day more on either side among them, sorted by site_id and interval_start.
    hours
        Rows of table site_hour of the days that may speak, sorted by site_id and hour_start.
    settings, day
        Sections [utility] and [day].

    Returns
    -------
    pl.DataFrame
        `site_id`; `meter_offset_min` [min] how far the meter's clock is ahead of the readings'; `meter_from_on`,
        `meter_to_on` first and last UTC day of the hours in common, null without; `meter_hours` how many these are;
        `is_dark_only`: only import is metered, so only hours without production count; `why_not`: null where the meter
        is evidence; site_window's `nm_n`, PRODUCTS [W2] and LEVELS [W]; and THIRD_LINE.
    """
    by_home = utility.partition_by("site_id", as_dict=True, maintain_order=True)
    readings = hours.partition_by("site_id", as_dict=True, maintain_order=True)
    rows = [
        {"site_id": home, **home_evidence(by_home[home,], readings[home,], settings=settings, day=day)}
        for (home,) in by_home
        if (home,) in readings
    ]
    return pl.DataFrame(rows, schema=EVIDENCE, orient="row").sort("site_id")


def home_evidence(
    utility: pl.DataFrame, hours: pl.DataFrame, *, settings: UtilitySettings, day: DaySettings
) -> Mapping[str, Any]:
    """Return the row of `meter_evidence` of one home, whose rows these are, without its site_id.

    Parameters
    ----------
    utility, hours
        The home's rows, in order of time.
    settings, day
        Sections [utility] and [day].
    """
    meter, readings = meter_series(utility), home_hours(hours)
    if meter is None:
        return {"meter_hours": 0, "why_not": TOO_FEW}
    is_dark_only = meter.is_import_only and bool((readings.means[:, 2] > day.pv_quiet_w).any())
    if meter.is_import_only:
        readings = limit_to_dark(readings, day.pv_quiet_w, day.battery_idle_w)
    offset = clock_offset_min(meter, readings, settings.offset_left)
    net, is_known = (array[0] for array in net_power(meter, readings, np.array([offset])))
    common = readings.hour[is_known]
    if not common.size:
        return {"meter_hours": 0, "why_not": TOO_FEW}
    row = {
        "meter_offset_min": offset, "meter_hours": int(common.size), "is_dark_only": is_dark_only,
        "meter_from_on": _day_of(common[0]), "meter_to_on": _day_of(common[-1]),
    }  # fmt: skip
    if common.size < settings.least_hours:
        return row | {"why_not": TOO_FEW}
    if not follows_legs(meter, readings, offset, share=settings.legs_share):
        return row | {"why_not": NOT_FOLLOWING}
    return row | {"why_not": None} | _sums(net, is_known, readings, _step_w2(meter))


def follows_legs(meter: MeterSeries, hours: HomeHours, offset_min: int, *, share: float) -> bool:
    """Tell whether the legs explain the meter's movement beyond production, which the whole street shares.

    They don't where the meter is another home's, where a battery that nobody reports keeps it still, and where the CTs
    read nothing: then what the meter says of their scale is chance.

    Parameters
    ----------
    meter, hours, offset_min
        The meter, the home's hours, and the meter's clock offset [min].
    share
        Least share of the squares that they must explain.
    """
    sums = squares(meter, hours, np.array([offset_min]))
    without, left = squares_left(sums, (2, 3))[0], squares_left(sums)[0]
    return bool(without - left >= share * without)


def _step_w2(meter: MeterSeries) -> float:
    """Return the variance [W2] that counting in steps gives a difference of two hours."""
    return 2 * HOUR_MIN / meter.minutes * meter.step_wh**2 / 12


def _sums(net: Float, is_known: Any, hours: HomeHours, step_w2: float) -> dict[str, float]:
    """Return nm_n, PRODUCTS, LEVELS and THIRD_LINE.

    Summed one by one, so that no machine's matrix product rounds them its own way.

    What the readings leave of the meter's squares is at least what its steps give: few hours that happen to
    fit don't prove more than the meter can.
    """
    means = hours.means
    use = is_known[1:] & is_known[:-1] & (np.diff(hours.hour) == 1)
    steps = [np.diff(means[:, channel])[use] for channel in range(means.shape[1])] + [np.diff(net)[use]]
    has_third = means.shape[1] > 4
    products = (*PRODUCTS, *THIRD_PRODUCTS) if has_third else PRODUCTS
    sums = {name: float((steps[one] * steps[other]).sum()) for name, one, other in products}
    count = int(use.sum())
    xx = np.array([[float((one * other).sum()) for other in steps[:-1]] for one in steps[:-1]])
    xy = np.array([float((one * steps[-1]).sum()) for one in steps[:-1]])
    explained = float((np.linalg.solve(xx + np.eye(len(xx)), xy) * xy).sum())
    left = max(sums["nm_nn"] - explained, 0.0)
    sums["nm_nn"] += max(count * step_w2 - left, 0.0)
    levels = dict(zip(LEVELS, (net, means[:, 0], means[:, 1]), strict=True))
    if has_third:
        levels["ne_l3"] = means[:, 4]
    return (
        {"nm_n": float(count)} | sums | {name: float(level[is_known].sum()) for name, level in levels.items()}
    )


def _day_of(hour: Any) -> date:
    return date(1970, 1, 1) + timedelta(hours=int(hour))
