"""What speaks for what is said of a home, in sentences: the templates of its strongest pieces with its numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from itertools import repeat
from math import isfinite
from string import Formatter
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contract import SOUND
from pipeline.evidence import all_pieces
from pipeline.fault import Fault

Float = NDArray[np.float64]
_SENTENCES = 3
_MISSING = "n/a"


@cache
def _parts(template: str) -> tuple[tuple[str, str | None, str], ...]:
    """Return a template as (text, name of the number after it or None, its format)."""
    return tuple((text, name, spec or "") for text, name, spec, _ in Formatter().parse(template))


def sentence(template: str, row: Mapping[str, Any]) -> str:
    """Return the template with the row's numbers; what is missing reads n/a."""
    told = []
    for text, name, spec in _parts(template):
        told.append(text)
        if name is not None:
            value = row.get(name)
            is_missing = value is None or (isinstance(value, float) and not isfinite(value))
            told.append(_MISSING if is_missing else format(value, spec))
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
            told.append([_MISSING if value is None else format(value, spec) for value in column.to_list()])
        elif name is not None:
            told.append(repeat(_MISSING, rows.height))
    return ["".join(texts) for texts in zip(*told, strict=True)]


def evidence_lines(
    signals: pl.DataFrame,
    values: Float,
    told_of: NDArray[np.int64],
    classes: tuple[str, ...],
    added: Float,
    catalogue: Mapping[str, Fault],
) -> list[str]:
    """Return each home's strongest sentences for the class it is told of, or for a sound home what speaks for it.

    Parameters
    ----------
    signals
        Table site_signal of n homes.
    values
        Their evidence (n, pieces), 0 to 1, NaN for *cannot tell*.
    told_of
        Which of `classes` each home is told of, (n,).
    added
        What each piece adds to that class against sound [log odds], (n, pieces); unused where it is sound.
    """
    pieces = all_pieces(catalogue)
    owners = np.array([owner for owner, _ in pieces])
    place = _places(values, told_of, classes, added, owners)
    # Pieces that share a template would say the same: the first of them says it.
    templates = list(dict.fromkeys(piece.sentence for _, piece in pieces))
    first = np.stack(
        [place[:, [piece.sentence == told for _, piece in pieces]].min(axis=1) for told in templates], axis=1
    )
    homes = np.arange(len(first))
    texts = np.full((len(first), _SENTENCES), "", dtype=object)
    for rank in range(_SENTENCES):
        best = first.argmin(axis=1)
        best = np.where(first[homes, best] < len(pieces), best, -1)
        for at in np.unique(best[best >= 0]).tolist():
            own = np.flatnonzero(best == at)
            needed = {name for _, name, _ in _parts(templates[at]) if name in signals.columns}
            texts[own, rank] = sentences(templates[at], signals.select("site_id", *needed)[own])
        first[homes, best] = len(pieces)
    return ["; ".join(filter(None, told)) or "too little data to tell" for told in texts.tolist()]


def _places(
    values: Float,
    told_of: NDArray[np.int64],
    classes: tuple[str, ...],
    added: Float,
    owners: NDArray[np.str_],
) -> NDArray[np.int64]:
    """Return the place of each piece in what is told of its home (n, pieces); the number of pieces: it isn't told."""
    count = len(owners)
    yes = np.nan_to_num(values) > 0.5
    of_sound = owners == SOUND
    place = np.where(of_sound & yes, np.arange(count), count)
    for column, name in enumerate(classes):
        homes = np.flatnonzero(told_of == column)
        if name == SOUND or not homes.size:
            continue
        own = (owners == name) & yes[homes]
        # What the fault itself predicts convinces before what merely doesn't fit a right install.
        rank = np.lexsort((-added[homes], ~own), axis=-1)
        ranked = np.empty_like(rank)
        np.put_along_axis(ranked, rank, np.broadcast_to(np.arange(count), rank.shape), axis=1)
        against = yes[homes] | (of_sound & (values[homes] < 0.5))
        place[homes] = np.where(own | ((added[homes] > 0.05) & against), ranked, count)
    return place
