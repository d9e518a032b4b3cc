"""Which lines a home's production feeds, and how much of a watt of it each line's CT should see.

An inverter on k lines gives each 1/k. The site record may say which (`pv_on`); else the slopes on production tell: of
the sets of lines the one is taken under which they are most plausible, each CT being right, turned, on another line
(the angle between the lines turns what it reads) or dead. An inverter between two lines of three feeds currents that
lead one line's voltage by 30 degrees and lag the other's.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.services import LINES, SERVICES, lines_of

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

LEAD_DEG: Final = 30.0  # of an inverter's current between two lines, against the first one's voltage
_DEGREES = np.array(SERVICES["230/400"].degrees)
_ALL = "all"
# All lines first: where nothing tells the sets apart, no line is said to be without production.
_SETS: Final = tuple(lines for size in (3, 1, 2) for lines in combinations(range(3), size))
_ONE_LINE_KW = 4.6  # many grids allow one line no more
# Minus twice the logarithm of how usual each is among homes.
_TWO_LINES, _ONE_LINE_BIG, _ONE_LINE_UNKNOWN = 6.0, 6.0, 2.0
_TURNED, _CROSSED, _DEAD, _UNSEEN, _OTHER = 5.0, 5.0, 6.0, 3.0, 15.0
_SCALE_SD, _LEAST_SD = 0.08, 0.02  # of what a CT reads, and W/W
_VAR_SD = 0.35  # of what a CT reads: inverters give reactive power along with real power
_LEAST_READ = 1e-9  # of a watt: what cancels but for rounding


@dataclass(frozen=True)
class Slopes:
    """What three lines read of a watt of production: real part W/W, imaginary var/W, shape (homes, 3); NaN unknown."""

    value: Complex
    error: Float
    added_back: NDArray[np.bool_]
    pv_kw: Float


def feeding_currents(lines: tuple[int, ...]) -> Complex:
    """Return each line's current of an inverter that feeds these lines with 1 W, at 1 V to neutral, shape (3,)."""
    phasor = np.exp(1j * np.radians(_DEGREES))
    current = np.zeros(3, complex)
    if len(lines) == 2:
        first, second = _in_turn(lines)
        across = phasor[first] - phasor[second]
        current[first] = across / np.abs(across) ** 2
        current[second] = -current[first]
        return current
    current[list(lines)] = phasor[list(lines)] / len(lines)
    return current


def find_feeding(slopes: Slopes) -> NDArray[np.int64]:
    """Return which of `feeding_sets` feeds each home, most plausibly, shape (homes,)."""
    costs = np.stack([_cost(slopes, lines) for lines in _SETS])
    chosen: NDArray[np.int64] = np.argmin(np.round(costs, 6), axis=0)
    return chosen


def feeding_sets() -> tuple[tuple[str, ...], ...]:
    """Return the sets of lines that `find_feeding` counts."""
    return tuple(tuple(LINES[line] for line in lines) for lines in _SETS)


def declared_set(pv_on: str | None) -> int | None:
    """Return which of `feeding_sets` the site record names; None where it names none."""
    if not pv_on:
        return None
    lines = LINES if pv_on == _ALL else lines_of(pv_on, 3)
    return feeding_sets().index(tuple(lines))


def shares_of(chosen: NDArray[np.int64]) -> tuple[Float, Float]:
    """Return of homes' sets each line's share of production, and by how much its current leads [deg], (homes, 3)."""
    share, lead = np.zeros((len(_SETS), 3)), np.zeros((len(_SETS), 3))
    for row, lines in enumerate(_SETS):
        share[row, list(lines)] = 1 / len(lines)
        if len(lines) == 2:
            first, second = _in_turn(lines)
            lead[row, first], lead[row, second] = LEAD_DEG, -LEAD_DEG
    return share[chosen], lead[chosen]


def _in_turn(lines: tuple[int, ...]) -> tuple[int, int]:
    """Return two lines so that the second's voltage lags the first's by 120 degrees."""
    first, second = lines
    return (first, second) if (second - first) % 3 == 1 else (second, first)


def _cost(slopes: Slopes, lines: tuple[int, ...]) -> Float:
    """Return minus twice the log likelihood of the slopes with production on these lines, shape (homes,)."""
    current, voltage = feeding_currents(lines), np.exp(1j * np.radians(_DEGREES))
    is_fed = np.array([line in lines for line in range(3)])
    seen = slopes.value - slopes.added_back[:, None] * np.where(is_fed, 1 / len(lines), 0.0)
    per_line = np.full(seen.shape, _OTHER)
    for line in range(3):
        dead = _DEAD if is_fed[line] else 0.0
        options = [(0j, dead)]
        for on in range(3):
            read = complex(-voltage[line] * np.conj(current[on]))
            if abs(read) > _LEAST_READ:
                cost = 0.0 if on == line else _CROSSED
                options += [(read, cost), (-read, cost + _TURNED)]
        for read, cost in options:
            apart = _squares_apart(seen[:, line], slopes.error[:, line], read)
            per_line[:, line] = np.fmin(per_line[:, line], cost + apart)
    none = sum((_squares_apart(seen[:, line], slopes.error[:, line], 0j) for line in range(3)), _UNSEEN)
    prior = np.zeros(len(seen))
    if len(lines) == 2:
        prior += _TWO_LINES
    elif len(lines) == 1:
        is_known = np.isfinite(slopes.pv_kw)
        prior += np.where(
            slopes.pv_kw > _ONE_LINE_KW, _ONE_LINE_BIG, np.where(is_known, 0.0, _ONE_LINE_UNKNOWN)
        )
    total: Float = prior + np.minimum(per_line.sum(axis=1), none)
    return total


def _squares_apart(seen: Complex, error: Float, read: complex) -> Float:
    """Return the squares between what is seen and what should be read, in errors; 0 where nothing is known."""
    variance = np.nan_to_num(error) ** 2 + (_SCALE_SD * abs(read)) ** 2 + _LEAST_SD**2
    real = (seen.real - read.real) ** 2 / variance
    imaginary = (seen.imag - read.imag) ** 2 / (variance + (_VAR_SD * abs(read)) ** 2)
    apart: Float = np.nan_to_num(real) + np.nan_to_num(imaginary)
    return apart


def home_shares(homes: pl.DataFrame) -> pl.DataFrame:
    """Return `site_id`, `pv_share_l1..3` (sum 1) and `pv_lead_l1..3_deg` of homes with three lines.

    `homes` has `site_id`, `slope_l1..3`, `slope_l1..3_se` [W/W], `var_l1..3` [var/W], `is_added_back`, `pv_kw` [kW] and
    `pv_on`.
    """

    def numbers(name: str) -> Float:
        return homes[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()

    value = np.stack([_complex(numbers(f"slope_{line}"), numbers(f"var_{line}")) for line in LINES], axis=1)
    error = np.stack([numbers(f"slope_{line}_se") for line in LINES], axis=1)
    slopes = Slopes(value, error, homes["is_added_back"].fill_null(False).to_numpy(), numbers("pv_kw"))
    chosen = find_feeding(slopes)
    for row, declared in enumerate(homes["pv_on"]):
        known = declared_set(declared)
        chosen[row] = chosen[row] if known is None else known
    share, lead = shares_of(chosen)
    return homes.select("site_id").with_columns(
        pl.Series(name.format(line), values[:, at])
        for name, values in (("pv_share_{}", share), ("pv_lead_{}_deg", lead))
        for at, line in enumerate(LINES)
    )


def _complex(real: Float, imaginary: Float) -> Complex:
    value = np.empty(len(real), complex)
    value.real, value.imag = real, imaginary
    return value
