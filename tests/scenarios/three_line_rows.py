"""Homes of three lines: the right home's row with a third line, and what a home wired any way shows of itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
from scored_homes import OF_THE_WINDOW, right_home

from pipeline.core.line_pairs import PAIR_COLUMNS
from pipeline.core.services import LINES, service_of
from pipeline.evaluation.wiring_study import what_is_shown
from pipeline.probes.wirings import Wiring

EUROPE, WYE = "230/400", "120/208 three-phase"
_KINDS = {bool: pl.Boolean, int: pl.Int64, float: pl.Float64, str: pl.String}


def right_row(service: str = EUROPE) -> dict[str, Any]:
    """Return the row of a right home of three lines, a third of production on each."""
    row = dict(right_home())
    for name, value in right_home().items():
        if name in PAIR_COLUMNS:
            row |= {f"{name}_23": value, f"{name}_31": value}
        if "l1" in name.split("_") and not name.startswith("sag_"):
            row["_".join("l3" if part == "l1" else part for part in name.split("_"))] = value
    third = {"slope_l1": -0.334, "slope_l2": -0.329, "slope_l3": -0.331, "slope_expected": -1 / 3}
    shares = {f"pv_share_{line}": 1 / 3 for line in LINES}
    return row | third | shares | {"service": service, "line_count": 3}


def three_line_homes(rows: Sequence[Mapping[str, Any]], service: str = EUROPE) -> pl.DataFrame:
    """Return table site_signal of homes of three lines that differ from the right one by these columns."""
    right = right_row(service)
    kinds = (
        {name: _KINDS[type(value)] for name, value in right.items()} | {"pv_on": pl.String} | OF_THE_WINDOW
    )
    whole = [{**right, **row, "site_id": row.get("site_id", f"home {at:04}")} for at, row in enumerate(rows)]
    homes = pl.DataFrame(whole, schema=kinds)
    return homes.with_columns(pl.col("days", "nights", "slope_days").cast(pl.Int32))


def wired_row(
    order: Sequence[int],
    signs: Sequence[int],
    *,
    service: str = EUROPE,
    pv_lines: Sequence[str] | None = None,
    sees_pv: bool = True,
    seed: int = 1,
) -> dict[str, Any]:
    """Return what a home shows whose CT of channel i is on line order[i] (from 0) with this sign.

    Parameters
    ----------
    order, signs
        The wiring.
    service, pv_lines, sees_pv
        The service, the lines that the inverter feeds (None: all), and whether the CTs are upstream of the tie-in.
    seed
        Of the loads and clouds.
    """
    wiring = Wiring(tuple(order), tuple(signs))
    shown = what_is_shown(wiring, service, sees_pv=sees_pv, pv_lines=pv_lines or (), seed=seed)
    row = (
        right_row(service)
        if service_of(service).line_count == 3
        else dict(right_home()) | {"service": service}
    )
    return row | shown | {"expected_gain": float(sees_pv)}
