"""Whether a span of days shows a given fault: by the night's own model, against a right install and other faults."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.services import leg_code, leg_codes, lines_of
from pipeline.correction.yardstick import Yardstick
from pipeline.probes.line_rows import by_line_count
from pipeline.probes.measured import measure
from pipeline.scoring.design import leg_designs, symmetric_design
from pipeline.scoring.model_file import model_for
from pipeline.scoring.normal import measure_deviations

Float = NDArray[np.float64]
# The fault is known of other days of the home: each other fault is that much less likely than it beforehand.
OTHERS_RARER = 10.0
LEAST_SHARE = 1e-6


def fault_log_odds(
    signals: pl.DataFrame, faults: Sequence[str], legs: Sequence[str | None], *, yardstick: Yardstick
) -> Float:
    """Return the log odds that a span's days have its fault, against none and any other, (n,).

    Fault and none are as likely beforehand, so a span that says nothing is near 0. NaN of a fault that the model
    doesn't know.

    Parameters
    ----------
    signals
        Table site_signal, a row a span.
    faults, legs
        Each span's fault and leg; a leg of None is any.
    yardstick
        The night's model and what is normal in its fleet.
    """
    said = np.full(signals.height, np.nan)
    for count, homes in by_line_count(signals.with_row_index("span_row")):
        rows = homes["span_row"].to_numpy()
        if rows.size:
            asked = [faults[row] for row in rows], [legs[row] for row in rows]
            said[rows] = _of_line_count(homes, *asked, count=count, yardstick=yardstick)
    return said


def _of_line_count(
    signals: pl.DataFrame,
    faults: Sequence[str],
    legs: Sequence[str | None],
    *,
    count: int,
    yardstick: Yardstick,
) -> Float:
    """Return the log odds of spans of homes that all have three lines or all fewer."""
    model, codes = model_for(yardstick.model, count), leg_codes(count)
    measured = measure(signals)
    deviations = measure_deviations(measured, yardstick.fleet.of(count).normal)
    rows = symmetric_design(measured, deviations).rows
    known = {name: index for index, name in enumerate(model.faults)}
    fault = np.array([known.get(name, 0) for name in faults])
    leg_rows = [design.rows for design in leg_designs(measured, deviations)]
    leg_share = model.leg_shares(leg_rows, fault)
    line = np.arange(len(fault))
    own = [leg_code(lines_of(leg, count), count) for leg in legs]
    is_any = np.array([leg is None or code not in codes for leg, code in zip(legs, own, strict=True)])
    leg_index = np.array([codes.index(code) if code in codes else len(codes) - 1 for code in own])
    share = model.fault_shares(model.which_terms(rows))[line, fault]
    share = np.maximum(share * np.where(is_any, 1.0, leg_share[line, leg_index]), LEAST_SHARE)
    any_fault = model.log_odds(rows)
    others = any_fault + np.log1p(-np.minimum(share, 1 - LEAST_SHARE)) - np.log(OTHERS_RARER)
    is_known = np.array([name in known for name in faults])
    return np.where(is_known, any_fault + np.log(share) - np.logaddexp(0.0, others), np.nan)
