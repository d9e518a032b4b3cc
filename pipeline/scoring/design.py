"""Probes laid out for the trees: one matrix a head, each column belonging to one probe.

For whether there is a fault, legs are alike: a leg's quantity comes as the lower and the higher of both legs, or as how
far the legs lie short of and over right. For which fault and leg, the legs stand in order ("this" and "the other"), and
a home is looked at from both ends. Beside each raw value stands its deviation from the fleet's own centre, in the
fleet's spreads and, where faults move it, in what the fleet's outer tenth reaches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.probes.measured import Measured, all_quantities
from pipeline.probes.probe import Quantity
from pipeline.scoring.normal import Deviations, deviations

Float = NDArray[np.float64]


@dataclass(frozen=True)
class Design:
    """A matrix `rows` (n, columns), its columns' `names`, the probe of each, and which way each may speak for a fault.

    `monotone` is 1 where more of it never lowers the odds of a fault, -1 where less doesn't, 0 free.
    """

    rows: Float
    names: tuple[str, ...]
    probes: tuple[str, ...]
    monotone: tuple[int, ...]


def columns() -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the columns of this version's designs: `alike`'s and `in_order`'s; a model of others is refused."""
    nobody = Measured(
        {key: np.empty((0, 2 if q.shape == "leg" else 1)) for key, _, q in all_quantities()},
        {key: np.empty((0, 2 if q.shape == "leg" else 1)) for key, _, q in all_quantities()},
        {key: np.empty(0) for key, _, q in all_quantities() if q.right is not None},
        np.empty(0, dtype=np.int64),
    )
    moved = deviations(nobody, {})
    return alike(nobody, moved).names, in_order(nobody, moved, False).names


class _Columns:
    def __init__(self) -> None:
        self.columns: list[Float] = []
        self.names: list[str] = []
        self.probes: list[str] = []
        self.monotone: list[int] = []

    def add(self, probe: str, name: str, column: Float, monotone: int = 0) -> None:
        self.columns.append(column)
        self.names.append(name)
        self.probes.append(probe)
        self.monotone.append(monotone)

    def done(self) -> Design:
        rows = np.empty(
            (len(self.columns[0]), len(self.columns)), order="F"
        )  # the trees read column by column
        for at, column in enumerate(self.columns):
            rows[:, at] = column
        return Design(rows, tuple(self.names), tuple(self.probes), tuple(self.monotone))


def alike(measured: Measured, moved: Deviations) -> Design:
    """Return the design for whether there is a fault: the same home with its legs exchanged has the same row."""
    out = _Columns()
    for key, probe, quantity in all_quantities():
        values = measured.values[key]
        if quantity.wrong == "both":
            right = measured.rights.get(key)
            values = values - (0.0 if right is None else right[:, None])
        _put(out, probe, key, quantity, values)
        if key in moved.spread:
            _put(out, probe, f"{key} against the fleet", quantity, moved.spread[key])
        if key in moved.outer:
            _put(out, probe, f"{key} against the outer tenth", quantity, moved.outer[key])
    return out.done()


def _put(out: _Columns, probe: str, key: str, quantity: Quantity, values: Float) -> None:
    if quantity.shape == "contrast":
        out.add(probe, key, np.abs(values[:, 0]))
        return
    # What can decide by itself never speaks less for a fault by lying farther out.
    held = int(quantity.decides is not None)
    sides = (("", values, held * {"low": -1, "high": 1}.get(quantity.wrong, 0)),)
    if quantity.wrong == "both":
        short, over = np.maximum(-values, 0.0), np.maximum(values, 0.0)
        sides = ((" short", short, held), (" over", over, held))  # type: ignore[assignment]
    for side, column, monotone in sides:
        if column.shape[1] == 1:
            out.add(probe, f"{key}{side}", column[:, 0], monotone)
            continue
        one, two = column[:, 0], column[:, 1]
        least, most = np.fmin(one, two), np.fmax(one, two)
        # A leg that isn't there, or of which nothing is known, leaves the other alone in `least`.
        out.add(probe, f"{key}{side} least", least, monotone)
        out.add(probe, f"{key}{side} most", np.where(np.isnan(one) | np.isnan(two), np.nan, most), monotone)


def in_order(measured: Measured, moved: Deviations, is_exchanged: bool) -> Design:
    """Return the design for which fault on which leg: leg 1 is "this", leg 2 "the other"; exchanged the other way."""
    out = _Columns()
    for key, probe, quantity in all_quantities():
        for suffix, values in (("", measured.values[key]), (" against the fleet", moved.spread.get(key))):
            if values is None:
                continue
            if quantity.shape == "leg":
                one, two = (1, 0) if is_exchanged else (0, 1)
                out.add(probe, f"{key}{suffix} this", values[:, one])
                out.add(probe, f"{key}{suffix} other", values[:, two])
            else:
                turned = quantity.shape == "contrast" and is_exchanged
                out.add(probe, f"{key}{suffix}", -values[:, 0] if turned else values[:, 0])
    return out.done()
