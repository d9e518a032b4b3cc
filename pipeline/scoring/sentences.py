"""What each probe says of a home, in one sentence with its number and what right would be."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.number_text import number
from pipeline.probes import PROBES, probes_of
from pipeline.probes.leg_text import NOT_KNOWN
from pipeline.probes.line_rows import THREE, TWO, pair_rows
from pipeline.probes.probe import Probe

Float = NDArray[np.float64]
MOST_SAID = 3
LEAST_ODDS = 1.1  # to 1; less says little
LITTLE = "says little"
# From which odds (to 1) a probe's word is so strong.
STRENGTHS = ((100.0, "very strong"), (10.0, "strong"), (3.0, "moderate"), (1.0, "weak"))
SMALL_WEIGHT = 0.2  # log odds; probes that weigh less are told as one sum


def probe_sentences(probe: Probe, signals: pl.DataFrame) -> list[str]:
    """Return what the probe says of each home of `signals` (table site_signal)."""
    return [probe.tell(row) for row in _columns(probe, signals).iter_rows(named=True)]


def _columns(probe: Probe, signals: pl.DataFrame) -> pl.DataFrame:
    """Return the columns that the probe's sentence reads; of 140 few, and rows are taken of those only."""
    return signals.select([name for name in probe.reads if name in signals.columns] or pl.col("site_id"))


def has_data(signals: pl.DataFrame, line_count: int = TWO) -> NDArray[np.bool_]:
    """Return which probes have data at each home, (n, probes); of three lines, at any pair of them."""
    conditions = [probe.is_there for probe in probes_of(line_count)]
    if line_count != THREE:
        return _for_each_home(signals, *conditions)
    seen = [_for_each_home(rows, *conditions) for rows in pair_rows(signals).values()]
    return np.asarray(np.logical_or.reduce(seen))


def _for_each_home(signals: pl.DataFrame, *conditions: pl.Expr) -> NDArray[np.bool_]:
    """Return which conditions hold at each home, (n, conditions); constants hold at all or none."""
    is_met = {str(number): condition.fill_null(False) for number, condition in enumerate(conditions)}
    return signals.with_columns(**is_met).select(is_met.keys()).to_numpy()


def strongest_probes(
    terms: Float, speaks: NDArray[np.bool_], is_faulty: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Return the probes that decide for what is said of each home, (n, MOST_SAID), strongest first; -1: no more.

    Of a home with a suspected fault those that speak for one, of a sound one those that speak against; what says
    nothing (a tenth of a log odds) is not said, and the record never says it alone.
    """
    toward = np.where(is_faulty[:, None], terms, -terms)
    is_named = np.array([probe.name != "register" for probe in PROBES[: terms.shape[1]]])
    toward = np.where(speaks & is_named & (toward > 0.1), toward, -np.inf)
    order = np.argsort(-toward, axis=1, kind="stable")[:, :MOST_SAID]
    return np.where(np.take_along_axis(toward, order, axis=1) > 0, order, -1)


def evidence_lines(signals: pl.DataFrame, order: NDArray[np.int64]) -> list[str]:
    """Return each home's sentences in this order of probes (n, k), -1 for none, as one line."""
    texts = np.full(order.shape, "", dtype=object)
    for at, probe in enumerate(PROBES):
        homes, ranks = np.nonzero(order == at)
        if homes.size:
            texts[homes, ranks] = probe_sentences(probe, _columns(probe, signals)[homes])
    return ["; ".join(filter(None, row)) or NOT_KNOWN for row in texts.tolist()]


def odds_words(weight: float, what: str, against: str) -> str:
    """Return a weight [log odds] as odds: "900 to 1 for a fault"."""
    ratio = float(np.exp(abs(weight)))
    if ratio < LEAST_ODDS:
        return LITTLE
    return f"{number(ratio, 0 if ratio >= 10 else 1)} to 1 for {what if weight > 0 else against}"


def strength_words(weight: float) -> str:
    """Return how strongly a weight [log odds] speaks of a fault: "strong for a fault, 54 to 1"."""
    ratio = float(np.exp(abs(weight)))
    if ratio < LEAST_ODDS:
        return LITTLE
    word = next(word for least, word in STRENGTHS if ratio >= least)
    odds = f"{number(ratio, 0 if ratio >= 10 else 1)} to 1"
    return f"{word} {'for' if weight > 0 else 'against'} a fault, {odds}"
