"""Probes laid out for the trees: one matrix a head, each column belonging to one probe.

For whether there is a fault, legs are alike: a leg's quantity comes as the lower and the higher of both legs, or as how
far the legs lie short of and over right. For which fault and leg, the legs stand in order ("this" and "the other"), and
a home is looked at from both ends. Beside each raw value stands its deviation from the fleet's own centre, in the
fleet's spreads and, where faults move it, in what the fleet's outer tenth reaches.

Of three lines a quantity comes as the least, the middle and the most of lines or of pairs of lines, whatever their
names; on which lines a fault is, each line is asked by itself, against the least and the most of the two others.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.core.line_pairs import PAIR_INDICES
from pipeline.probes.line_rows import THREE, TWO
from pipeline.probes.measured import Measured, all_quantities, legs_of
from pipeline.probes.probe import Quantity
from pipeline.scoring.normal import Deviations, measure_deviations

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


def columns(line_count: int = TWO) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the columns of this version's symmetric and leg designs; a model of others is refused."""
    quantities = [*all_quantities(line_count)]
    no_homes = Measured(
        {key: np.empty((0, len(legs_of(q, line_count)))) for key, _, q in quantities},
        {key: np.empty((0, len(legs_of(q, line_count)))) for key, _, q in quantities},
        {key: np.empty(0) for key, _, q in quantities if q.right is not None},
        np.empty(0, dtype=np.int64),
        line_count,
    )
    of_none = measure_deviations(no_homes, {})
    return symmetric_design(no_homes, of_none).names, leg_designs(no_homes, of_none)[0].names


class _Columns(list[tuple[Float, str, str, int]]):
    """Columns in order, each with its name, probe and direction."""

    def add(self, probe: str, name: str, column: Float, monotone: int = 0) -> None:
        self.append((column, name, probe, monotone))

    def design(self) -> Design:
        columns, names, probes, monotone = zip(*self, strict=True)
        return Design(np.array(columns).T, names, probes, monotone)  # the trees read column by column


def symmetric_design(measured: Measured, deviations: Deviations) -> Design:
    """Return the design for whether there is a fault: the same home with its legs exchanged has the same row."""
    out = _Columns()
    for key, probe, quantity in all_quantities(measured.line_count):
        values = measured.values[key]
        if quantity.wrong == "both":
            right = measured.rights.get(key)
            values = values - (0.0 if right is None else right[:, None])
        _put(out, probe, key, quantity, values)
        if key in deviations.spread:
            _put(out, probe, f"{key} against the fleet", quantity, deviations.spread[key])
        if key in deviations.outer:
            _put(out, probe, f"{key} against the outer tenth", quantity, deviations.outer[key])
    return out.design()


def _put(out: _Columns, probe: str, key: str, quantity: Quantity, values: Float) -> None:
    if quantity.shape == "contrast" and values.shape[1] == 1:
        out.add(probe, key, np.abs(values[:, 0]))
        return
    if quantity.shape == "contrast":
        values = np.abs(values)
    # What can decide by itself never speaks less for a fault by lying farther out.
    is_fixed = int(quantity.decides is not None)
    sides = [("", values, is_fixed * {"low": -1, "high": 1}.get(quantity.wrong, 0))]
    if quantity.wrong == "both":
        short, over = np.maximum(-values, 0.0), np.maximum(values, 0.0)
        sides = [(" short", short, is_fixed), (" over", over, is_fixed)]
    for side, column, monotone in sides:
        if column.shape[1] == 1:
            out.add(probe, f"{key}{side}", column[:, 0], monotone)
            continue
        if column.shape[1] == THREE:  # what isn't known of a line leaves the others alone
            least, middle, most = np.sort(column, axis=1).T  # what isn't known comes last
            out.add(probe, f"{key}{side} least", least, monotone)
            out.add(probe, f"{key}{side} middle", np.where(np.isnan(most), np.nan, middle), monotone)
            out.add(probe, f"{key}{side} most", np.fmax.reduce(column, axis=1), monotone)
            continue
        # A leg that isn't there, or of which nothing is known, leaves the other alone in `least`.
        l1, l2 = column.T
        out.add(probe, f"{key}{side} least", np.fmin(l1, l2), monotone)
        most = np.where(np.isnan(l1) | np.isnan(l2), np.nan, np.fmax(l1, l2))
        out.add(probe, f"{key}{side} most", most, monotone)


def leg_designs(measured: Measured, deviations: Deviations) -> list[Design]:
    """Return the design for which fault on which leg from each end: of two legs, or of each of three lines."""
    if measured.line_count == THREE:
        return [line_design(measured, deviations, line) for line in range(THREE)]
    return [leg_design(measured, deviations, is_exchanged) for is_exchanged in (False, True)]


def line_design(measured: Measured, deviations: Deviations, line: int) -> Design:
    """Return the design for whether a fault is on this line of three: "this" against the least and most of the others.

    Of the pairs of lines, two have this line; contrasts are turned so that positive is where the other line of the pair
    shows more.
    """
    out = _Columns()
    others = [other for other in range(THREE) if other != line]
    mine = [number for number, lines in enumerate(PAIR_INDICES.values()) if line in lines]
    (apart,) = set(range(THREE)) - set(mine)
    turned = [1.0 if lines[0] == line else -1.0 for lines in PAIR_INDICES.values() if line in lines]
    for name, probe, quantity, values in _looks(measured, deviations):
        if quantity.shape == "leg":
            out.add(probe, f"{name} this", values[:, line])
            _put_both(out, probe, f"{name} others", values[:, others])
        elif quantity.is_of_pair:
            is_contrast = quantity.shape == "contrast"
            _put_both(out, probe, f"{name} with this", values[:, mine] * (turned if is_contrast else 1.0))
            far = values[:, apart]
            out.add(probe, f"{name} without this", np.abs(far) if is_contrast else far)
        else:
            out.add(probe, name, values[:, 0])
    return out.design()


def _put_both(out: _Columns, probe: str, name: str, values: Float) -> None:
    out.add(probe, f"{name} least", np.fmin(*values.T))
    out.add(probe, f"{name} most", np.fmax(*values.T))


def leg_design(measured: Measured, deviations: Deviations, is_exchanged: bool) -> Design:
    """Return the design for which fault on which leg: leg 1 is "this", leg 2 "the other"; exchanged the other way."""
    out = _Columns()
    for name, probe, quantity, values in _looks(measured, deviations):
        if quantity.shape == "leg":
            this, other = (1, 0) if is_exchanged else (0, 1)
            out.add(probe, f"{name} this", values[:, this])
            out.add(probe, f"{name} other", values[:, other])
        else:
            is_turned = quantity.shape == "contrast" and is_exchanged
            out.add(probe, name, -values[:, 0] if is_turned else values[:, 0])
    return out.design()


def _looks(measured: Measured, deviations: Deviations) -> Iterator[tuple[str, str, Quantity, Float]]:
    """Yield (name, probe, quantity, values) of each quantity as it is, and against the fleet where it is compared."""
    for key, probe, quantity in all_quantities(measured.line_count):
        yield key, probe, quantity, measured.values[key]
        if key in deviations.spread:
            yield f"{key} against the fleet", probe, quantity, deviations.spread[key]
