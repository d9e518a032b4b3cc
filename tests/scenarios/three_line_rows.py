"""Homes of three lines: the right home's row with a third line, and what a home wired any way shows of itself.

What a wiring shows is worked out from a circuit: loads that switch on each line and on all, solar with clouds, and
voltages that sag under what really flows; the numbers of table site_signal come from regressions over its readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl
from scored_homes import OF_THE_WINDOW, right_home

from pipeline.core.services import LINES, service_of
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure
from pipeline.features.line_pairs import PAIR_COLUMNS

PAIRS = {"": (0, 1), "_23": (1, 2), "_31": (2, 0)}
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
    rng = np.random.default_rng(seed)
    lines, size = service_of(service).line_count, 2400
    hour = np.arange(size) % 96 / 4
    sun = np.maximum(np.sin((hour - 6) / 12 * np.pi), 0.0) * np.where((hour > 6) & (hour < 18), 1.0, 0.0)
    pv_w = 5000 * sun * rng.uniform(0.3, 1.0, size)
    on_one = 1500 * (rng.random((lines, size)) < 0.25) * rng.uniform(0.3, 1.0, (lines, size))
    on_all = 2400 * (rng.random(size) < 0.2)
    tangent = rng.uniform(0.05, 0.3, (lines, 1))
    loads = (rng.uniform(80, 200, (lines, 1)) + on_one) * (1 + 1j * tangent) + on_all / lines * (1 + 0.2j)
    circuit = Circuit.from_powers(loads, pv_w, service=service, pv_lines=pv_lines)
    sound = Wiring.sound(service, sees_pv, pv_lines=pv_lines)
    reading = measure(circuit, sound.permuted([line + 1 for line in order], list(signs)))
    true_w = (circuit.load_va - circuit.source_va).real
    row = right_row(service) if lines == 3 else dict(right_home()) | {"service": service}
    shown = np.column_stack([pv_w, np.ones(size)])
    is_night = pv_w == 0
    seen = reading.va + rng.normal(0, 3, reading.va.shape)
    balance = np.linalg.lstsq(
        np.column_stack([*seen.real, *([] if sees_pv else [pv_w])]),
        true_w.sum(axis=0) if sees_pv else circuit.load_va.real.sum(axis=0) - pv_w, rcond=None,
    )[0]  # fmt: skip
    for at, line in enumerate(LINES[:lines]):
        coefficient = np.linalg.lstsq(shown, seen[at], rcond=None)[0][0]
        night = seen[at].real[is_night]
        row |= {
            f"slope_{line}": float(coefficient.real), f"var_{line}": float(coefficient.imag),
            f"night_{line}_w": float(np.median(night)), f"night_{line}_negative_share": float((night < 0).mean()),
            f"meter_{line}": float(balance[at]), f"meter_gain_{line}": float(1 / balance[at]),
        }  # fmt: skip
    steps, flows = np.diff(seen.real, axis=1) / 1000, np.diff(true_w, axis=1) / 1000
    for suffix, (one, other) in [*PAIRS.items()][: 3 if lines == 3 else 1]:
        volts = 0.2 * (flows[other] - flows[one]) + rng.normal(0, 0.05, size - 1)
        both = steps[[one, other]].T
        sag, error = np.linalg.lstsq(both, volts, rcond=None)[0], 0.05 / np.sqrt((both**2).sum(axis=0))
        together = np.abs(np.diff(on_all)) > 0
        ratio = steps[other][together] / steps[one][together]
        row |= {
            f"sag_l1{suffix}": float(sag[0]), f"sag_l2{suffix}": float(sag[1]),
            f"sag_l1_z{suffix}": float(sag[0] / error[0]), f"sag_l2_z{suffix}": float(sag[1] / error[1]),
            f"pair_opposite_share{suffix}": float((ratio < 0).mean()),
            f"pair_log_ratio{suffix}": float(np.median(np.log(np.abs(ratio)))),
        }  # fmt: skip
    return row | {"is_declared_upstream": sees_pv, "expected_gain": float(sees_pv), "pv_kw": 5.0}
