"""What each probe says of a home, in one sentence with its number and what right would be."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from itertools import repeat
from math import isfinite
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
    told = format(value, spec)
    return told[1:] if told[:1] == "-" and not told.strip("-0.%") else told


def sentence(template: str, row: Mapping[str, Any]) -> str:
    """Return the template with the row's numbers; what is missing reads *not known*."""
    told = []
    for text, name, spec in _parts(template):
        told.append(text)
        if name is not None:
            value = row.get(name)
            is_missing = value is None or (isinstance(value, float) and not isfinite(value))
            told.append(MISSING if is_missing else _number(value, spec))
    return "".join(told)


def sentences(template: str, rows: pl.DataFrame) -> list[str]:
    """Return `sentence` of every row; a column that the table lacks is missing."""
    told: list[Iterable[str]] = []
    for text, name, spec in _parts(template):
        told.append(repeat(text, rows.height))
        if name is not None and name in rows.columns:
            column = rows[name]
            if column.dtype.is_float() and not column.is_finite().all():
                column = column.set(~column.is_finite(), None)
            told.append([MISSING if value is None else _number(value, spec) for value in column.to_list()])
        elif name is not None:
            told.append(repeat(MISSING, rows.height))
    return ["".join(texts) for texts in zip(*told, strict=True)]


def probe_sentences(probe: Probe, signals: pl.DataFrame) -> list[str]:
    """Return what the probe says of each home of `signals` (table site_signal)."""
    names = {name for _, template in probe.sentences for _, name, _ in _parts(template) if name}
    rows = signals.with_columns(probe.spoken) if probe.spoken else signals
    rows = rows.select([name for name in names if name in rows.columns] or pl.col("site_id"))
    told = [""] * signals.height
    left = np.ones(signals.height, dtype=np.bool_)
    for condition, template in probe.sentences:
        holds = signals.select(condition.fill_null(False).alias("holds"))["holds"]
        is_said = left & (holds.to_numpy() if len(holds) == signals.height else bool(holds[0]))
        at = np.flatnonzero(is_said)
        for place, text in zip(at.tolist(), sentences(template, rows[at]), strict=True):
            told[place] = text
        left &= ~is_said
    return told


def could_speak(signals: pl.DataFrame) -> NDArray[np.bool_]:
    """Return which probes have data at each home, (n, probes)."""
    frame = signals.select(
        (pl.lit(True) & probe.is_there.fill_null(False)).alias(probe.name) for probe in PROBES
    )
    if frame.height < signals.height:
        frame = pl.concat([frame] * signals.height)
    return frame.to_numpy()


def strongest(terms: Float, speaks: NDArray[np.bool_], is_faulty: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the probes that decide for what is said of each home, (n, MOST_SAID), strongest first; -1: no more.

    Of a home that is told of a fault those that speak for one, of a sound one those that speak against; what says
    nothing (a tenth of a log odds) is not said, and the record never says it alone.
    """
    toward = np.where(is_faulty[:, None], terms, -terms)
    named = np.array([probe.name != "register" for probe in PROBES])
    toward = np.where(speaks & named & (toward > 0.1), toward, -np.inf)
    order = np.argsort(-toward, axis=1, kind="stable")[:, :MOST_SAID]
    found: NDArray[np.int64] = np.where(np.take_along_axis(toward, order, axis=1) > 0, order, -1)
    return found


def evidence_lines(signals: pl.DataFrame, order: NDArray[np.int64]) -> list[str]:
    """Return each home's sentences in this order of probes (n, k), -1 for none, as one line."""
    texts = np.full(order.shape, "", dtype=object)
    for number, probe in enumerate(PROBES):
        homes, ranks = np.nonzero(order == number)
        if homes.size:
            said = probe_sentences(probe, signals[homes])
            texts[homes, ranks] = said
    return ["; ".join(filter(None, row)) or "too little data to tell" for row in texts.tolist()]


def odds_words(weight: float, what: str, against: str) -> str:
    """Return a weight [log odds] as odds: "900 to 1 for a fault"."""
    ratio = float(np.exp(abs(weight)))
    told = f"{ratio:,.0f}" if ratio >= 10 else f"{ratio:.1f}"
    if ratio < 1.1:
        return "says little"
    return f"{told} to 1 for {what if weight > 0 else against}"


__all__: Sequence[str] = (
    "MISSING", "could_speak", "evidence_lines", "odds_words", "probe_sentences", "sentence", "sentences", "strongest",
)  # fmt: skip
