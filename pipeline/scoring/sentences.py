"""What each probe says of a home, in one sentence with its number and what right would be."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from itertools import repeat
from string import Formatter
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.probes import PROBES
from pipeline.probes.probe import Probe

Float = NDArray[np.float64]
MISSING = "not known"
MOST_SAID = 3
SMALL_WEIGHT = 0.2  # log odds; probes that weigh less are told as one sum


@cache
def _parts(template: str) -> tuple[tuple[str, str | None, str], ...]:
    """Return a template as (text, name of the number after it or None, its format)."""
    return tuple((text, name, spec or "") for text, name, spec, _ in Formatter().parse(template))


def _number(value: Any, spec: str) -> str:
    """Return the number in this format; what rounds to zero has no minus."""
    text = format(value, spec)
    return text[1:] if text[:1] == "-" and not text.strip("-0.%") else text


def fill_template(template: str, rows: pl.DataFrame) -> list[str]:
    """Return the template with each row's numbers; what is missing, or no column, reads *not known*."""
    columns: list[Iterable[str]] = []
    for text, name, spec in _parts(template):
        columns.append(repeat(text, rows.height))
        if name is not None and name in rows.columns:
            column = rows[name]
            if column.dtype.is_float() and not column.is_finite().all():
                column = column.set(~column.is_finite(), None)
            columns.append([MISSING if value is None else _number(value, spec) for value in column.to_list()])
        elif name is not None:
            columns.append(repeat(MISSING, rows.height))
    return ["".join(texts) for texts in zip(*columns, strict=True)]


def probe_sentences(probe: Probe, signals: pl.DataFrame) -> list[str]:
    """Return what the probe says of each home of `signals` (table site_signal)."""
    names = {name for _, template in probe.sentences for _, name, _ in _parts(template) if name}
    rows = signals.with_columns(probe.spoken) if probe.spoken else signals
    rows = rows.select([name for name in names if name in rows.columns] or pl.col("site_id"))
    texts = np.full(signals.height, "", dtype=object)
    is_open = np.ones(signals.height, dtype=np.bool_)
    for condition, template in probe.sentences:
        homes = np.flatnonzero(is_open & _for_each_home(signals, condition)[:, 0])
        texts[homes] = fill_template(template, rows[homes])
        is_open[homes] = False
    return texts.tolist()


def has_data(signals: pl.DataFrame) -> NDArray[np.bool_]:
    """Return which probes have data at each home, (n, probes)."""
    return _for_each_home(signals, *(probe.is_there for probe in PROBES))


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
    is_named = np.array([probe.name != "register" for probe in PROBES])
    toward = np.where(speaks & is_named & (toward > 0.1), toward, -np.inf)
    order = np.argsort(-toward, axis=1, kind="stable")[:, :MOST_SAID]
    return np.where(np.take_along_axis(toward, order, axis=1) > 0, order, -1)


def evidence_lines(signals: pl.DataFrame, order: NDArray[np.int64]) -> list[str]:
    """Return each home's sentences in this order of probes (n, k), -1 for none, as one line."""
    texts = np.full(order.shape, "", dtype=object)
    for number, probe in enumerate(PROBES):
        homes, ranks = np.nonzero(order == number)
        if homes.size:
            texts[homes, ranks] = probe_sentences(probe, signals[homes])
    return ["; ".join(filter(None, row)) or "too little data to tell" for row in texts.tolist()]


def odds_words(weight: float, what: str, against: str) -> str:
    """Return a weight [log odds] as odds: "900 to 1 for a fault"."""
    ratio = float(np.exp(abs(weight)))
    if ratio < 1.1:
        return "says little"
    return f"{ratio:,.{0 if ratio >= 10 else 1}f} to 1 for {what if weight > 0 else against}"
