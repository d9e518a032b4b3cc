"""Homes with three line conductors: each pair of lines is read as a two-leg home is, and their sum as a one-line home.

For two lines i and j of a three-line service V_i - V_j falls with the load on i and rises with that on j, and the third
line's part of the neutral's drop cancels in it. So the rows of such a home are worked out again with its channels
rotated: line 2 as leg 1 and line 3 as leg 2, then line 3 and line 1; and with the sum of all three as leg 1. The pair
of lines 1 and 2 is the home's row in site_day.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pipeline.core.services import HIGH_FROM_V, LINES, SERVICES, UNKNOWN
from pipeline.features.kernels.compiled import Bool, Float, Int
from pipeline.ingest.used_rows import UsedRows

VIEWS = ("23", "31", "sum")
_LINES = {"23": ("l2", "l3"), "31": ("l3", "l1")}
_LINE_CHANNELS = {
    f"{line}_{unit}" for lines in _LINES.values() for line in lines for unit in ("w", "v", "var")
}
_US_V, _EU_V = SERVICES[UNKNOWN].volts, SERVICES["230/400"].volts


def has_third_line(rows: UsedRows, start: Int, above_w: Float) -> Bool:
    """Return which homes of a block have a third line, shape (homes,).

    Parameters
    ----------
    rows
        A block of whole homes.
    start
        First row of each.
    above_w
        The size [W] that a reading of it must exceed at each home (`site_sky`'s third_line_w).
    """
    third = rows.channels.get("l3_w")
    if third is None:
        return np.zeros(len(start), bool)
    largest = np.fmax.reduceat(np.abs(third), start)
    known: Bool = largest > above_w  # NaN, no reading at all, is above nothing
    return known


def volt_units(rows: UsedRows, start: Int, has_third: Bool) -> Float:
    """Return what each home's volts are multiplied by for the limits of [day], which are about 120 V, shape (homes,).

    That is 1, but where a home of three lines has 230 V to neutral.
    """
    unit = np.ones(len(start))
    if has_third.any():
        volts = np.stack([rows.channels[name] for name in ("l1_v", "l2_v", "l3_v") if name in rows.channels])
        total = np.add.reduceat(np.nan_to_num(volts).sum(axis=0), start)
        known = np.add.reduceat(np.isfinite(volts).sum(axis=0), start)
        unit[has_third & (total > HIGH_FROM_V * known)] = _US_V / _EU_V
    return unit


def of_homes(rows: UsedRows, count: Int, chosen: Bool) -> UsedRows:
    """Return the rows of the chosen homes, the same object where these are all of them.

    Parameters
    ----------
    rows
        A block of whole homes.
    count
        How many rows each home has.
    chosen
        Shape (homes,).
    """
    if chosen.all():
        return rows
    is_chosen = np.repeat(chosen, count)
    channels = {name: values[is_chosen] for name, values in rows.channels.items()}
    return UsedRows(rows.home[is_chosen], rows.minute[is_chosen], channels)


def view_channels(rows: UsedRows, start: Int, count: Int, *, view: str) -> Mapping[str, Float]:
    """Return the contract's measures of homes with three lines as a two-leg home's (`view` "23", "31") or one line's.

    The sum is null where a line that has readings on the day has none in the row.

    Parameters
    ----------
    rows
        Rows of homes that have three lines.
    start, count
        First row of each home, and how many it has.
    view
        One of VIEWS.
    """
    channels = dict(rows.channels)
    nothing = np.full(len(rows.home), np.nan)
    third = {name: channels.pop(name, nothing) for name in ("l3_w", "l3_v", "l3_var")}
    by_line = third | {name: values for name, values in channels.items() if name in _LINE_CHANNELS}
    if view in _LINES:
        for leg, line in zip(("l1", "l2"), _LINES[view], strict=True):
            channels |= {f"{leg}_{unit}": by_line[f"{line}_{unit}"] for unit in ("w", "v", "var")}
        return channels
    for name in ("l1_v", "l2_v", "l2_w", "l2_var"):
        channels[name] = nothing
    for unit in ("w", "var"):
        channels[f"l1_{unit}"] = _summed([by_line[f"{line}_{unit}"] for line in LINES], start, count)
    return channels


def _summed(lines: list[Float], start: Int, count: Int) -> Float:
    total = np.zeros(len(lines[0]))
    is_any = np.zeros(len(total), bool)
    for values in lines:
        has = np.repeat(np.logical_or.reduceat(np.isfinite(values), start), count)
        total += np.where(has, values, 0.0)
        is_any |= has
    return np.where(is_any, total, np.nan)
