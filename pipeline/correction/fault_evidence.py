"""Whether a span of days shows a given fault: by the night's own model, against a right install and other faults."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.correction.yardstick import Yardstick
from pipeline.probes.measured import measure
from pipeline.scoring.design import leg_design, symmetric_design
from pipeline.scoring.normal import measure_deviations
from pipeline.scoring.score_homes import LEGS

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
    if signals.is_empty():
        return np.empty(0)
    model = yardstick.model
    measured = measure(signals)
    deviations = measure_deviations(measured, yardstick.fleet.normal)
    rows = symmetric_design(measured, deviations).rows
    known = {name: index for index, name in enumerate(model.faults)}
    fault = np.array([known.get(name, 0) for name in faults])
    leg_rows = [leg_design(measured, deviations, is_exchanged).rows for is_exchanged in (False, True)]
    leg_share = model.leg_shares(leg_rows, fault)
    line = np.arange(len(fault))
    is_any = np.array([leg is None for leg in legs])
    leg_index = np.array([LEGS.index(leg or "both") for leg in legs])
    share = model.fault_shares(model.which_terms(rows))[line, fault]
    share = np.maximum(share * np.where(is_any, 1.0, leg_share[line, leg_index]), LEAST_SHARE)
    any_fault = model.log_odds(rows)
    others = any_fault + np.log1p(-np.minimum(share, 1 - LEAST_SHARE)) - np.log(OTHERS_RARER)
    is_known = np.array([name in known for name in faults])
    return np.where(is_known, any_fault + np.log(share) - np.logaddexp(0.0, others), np.nan)
