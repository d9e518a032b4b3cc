"""A home's utility meter against three lines and the probe together, from the sums that its pairs of lines have.

Least squares through the origin as of sql/site_window_fit, with one regressor more.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.line_pairs import SUM
from pipeline.core.services import LINES

Float = NDArray[np.float64]
_RIDGE_W2 = 1.0  # as of site_window_fit
_LEAST_ROWS = 10
_NUMBERS: Final = (
    "meter_probe", "meter_r2", "meter_gain_se",
    *(name.format(line) for line in LINES for name in ("meter_{}", "meter_{}_se", "meter_gain_{}")),
)  # fmt: skip


def joint_meter(pairs: dict[str, pl.DataFrame], side: Float) -> pl.DataFrame:
    """Return the regression of the meter's net power on lines 1 to 3 and the probe, a row a home.

    Columns `meter_l1`, `meter_l2`, `meter_l3`, `meter_probe` [W/W], `meter_l1_se` and so on, `meter_r2` [0..1],
    `meter_gain_l1` and so on [-] reading over truth, `meter_gain_se`; null where the meter doesn't tell.

    Parameters
    ----------
    pairs
        Table site_window of the homes' pairs "23" and "31" and of their "sum", the same homes in the same order: the
        squares of the sum hold what the third pair has.
    side
        Of each home 1 where the probe counts the battery (it lies behind the CTs), else 0.
    """

    def mean(pair: str, name: str) -> Float:
        return _numbers(pairs[pair], name) / _numbers(pairs[pair], "nm_n")

    def probe(pair: str, leg: str) -> Float:
        return np.nan_to_num(mean(pair, f"nm_{leg}p") + side * mean(pair, f"nm_{leg}b"))

    count = np.fmin.reduce([_numbers(rows, "nm_n") for rows in pairs.values()])
    square, product = np.zeros((len(side), 4, 4)), np.zeros((len(side), 4))
    for line, (pair, leg) in enumerate((("31", "2"), ("23", "1"), ("23", "2"))):
        square[:, line, line] = mean(pair, f"nm_{leg}{leg}")
        square[:, line, 3] = square[:, 3, line] = probe(pair, leg)
        product[:, line] = mean(pair, f"nm_n{leg}")
    square[:, 1, 2] = square[:, 2, 1] = mean("23", "nm_12")
    square[:, 2, 0] = square[:, 0, 2] = mean("31", "nm_12")
    own = np.trace(square[:, :3, :3], axis1=1, axis2=2)
    square[:, 0, 1] = square[:, 1, 0] = (mean(SUM, "nm_11") - own) / 2 - square[:, 1, 2] - square[:, 2, 0]
    square[:, 3, 3] = np.nan_to_num(
        mean("23", "nm_pp") + side * (2 * mean("23", "nm_pb") + mean("23", "nm_bb"))
    )
    product[:, 3] = np.nan_to_num(mean("23", "nm_np") + side * mean("23", "nm_nb"))
    total = mean("23", "nm_nn")
    is_known = np.isfinite(square).all(axis=(1, 2)) & np.isfinite(product).all(axis=1)
    tells = (count > _LEAST_ROWS) & (total > 0) & is_known
    found = {name: np.full(len(side), np.nan) for name in _NUMBERS}
    if tells.any():
        _solve(square[tells], product[tells], total[tells], count[tells], found, tells)
    return pl.DataFrame(found).fill_nan(None)


def _solve(
    square: Float,
    product: Float,
    total: Float,
    count: Float,
    found: dict[str, Float],
    rows: NDArray[np.bool_],
) -> None:
    """Fill `found` at `rows` with the coefficients; the sums are means over `count` differences.

    Parameters
    ----------
    square, product
        Of the regressors, and of each with the meter, shape (homes, 4, 4) and (homes, 4).
    total, count
        Of the meter's own squares, and how many differences there are.
    found, rows
        Where the numbers go.
    """
    ridge = _RIDGE_W2 / count[:, None, None] * np.eye(4)
    inverse = np.linalg.inv(square + ridge)
    slope = (inverse * product[:, None, :]).sum(axis=2)
    left_over = np.maximum(total - (slope * product).sum(axis=1), 0.0)
    variance = left_over[:, None] * np.diagonal(inverse, axis1=1, axis2=2)
    error = np.sqrt(np.maximum(variance, 0.0) / np.maximum(count - 4, 1)[:, None])
    # A line without readings is null, as an absent leg 2 is.
    slope[:, :3] = np.where(np.diagonal(square, axis1=1, axis2=2)[:, :3] > 0, slope[:, :3], np.nan)
    error = np.where(np.isnan(slope), np.nan, error)
    for line, name in enumerate(LINES):
        found[f"meter_{name}"][rows], found[f"meter_{name}_se"][rows] = slope[:, line], error[:, line]
        found[f"meter_gain_{name}"][rows] = 1 / np.where(slope[:, line] == 0, np.nan, slope[:, line])
    found["meter_probe"][rows] = slope[:, 3]
    found["meter_r2"][rows] = 1 - left_over / total
    found["meter_gain_se"][rows] = np.fmax.reduce(error[:, :3], axis=1)


def _numbers(rows: pl.DataFrame, name: str) -> Float:
    return rows[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
