"""Features -> pieces of evidence: from every fault's room and from what speaks for a right install."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline import sound
from pipeline.contract import SOUND
from pipeline.fault import Fault, Piece

Float = NDArray[np.float64]
BOTH_SHARE = 0.35  # of the evidence of the leg with more of it; the other leg with as much is faulty too


@dataclass(frozen=True)
class Weighed:
    """The evidence of n homes: `values` (n, pieces) from 0 to 1, NaN for *cannot tell*, best leg of each piece.

    `by_leg[piece]` holds the values of the legs the piece tells apart, each of shape (n,).
    """

    names: tuple[str, ...]
    values: Float
    by_leg: Mapping[str, Mapping[str, Float]]


def all_pieces(catalogue: Mapping[str, Fault]) -> list[tuple[str, Piece]]:
    """Return (owner, piece) of the whole catalogue in order, those of a sound install first."""
    own = [(SOUND, piece) for piece in sound.PIECES]
    return own + [(name, piece) for name, fault in catalogue.items() for piece in fault.pieces]


def weigh(signals: pl.DataFrame, catalogue: Mapping[str, Fault]) -> Weighed:
    """Return the evidence of the homes of `signals` (table site_signal), in its order.

    Raises
    ------
    ValueError
        Two pieces of the catalogue have the same name.
    """
    pieces = [piece for _, piece in all_pieces(catalogue)]
    names = tuple(piece.name for piece in pieces)
    if len(set(names)) < len(names):
        raise ValueError("two pieces of evidence have the same name")
    # Polars divides a single row another way than a column: beside an empty row it rounds as it does among others.
    rows = pl.concat([signals, signals.clear(n=1)], rechunk=True) if signals.height == 1 else signals
    # Lazily, what pieces have in common is worked out once; in memory, whole columns at a time (see above).
    frame = (
        rows.lazy()
        .select(
            value.cast(pl.Float64).clip(0.0, 1.0).fill_null(float("nan")).alias(f"{piece.name}.{leg}")
            for piece in pieces
            for leg, value in piece.by_leg.items()
        )
        .collect(engine="in-memory")
        .head(signals.height)
    )
    by_leg: dict[str, dict[str, Float]] = {}
    columns = []
    for piece in pieces:
        legs = {leg: frame[f"{piece.name}.{leg}"].to_numpy() for leg in piece.by_leg}
        by_leg[piece.name] = legs
        columns.append(reduce(np.fmax, legs.values()))
    return Weighed(names, np.stack(columns, axis=1), by_leg)


def _with_both(score: Float, legs: Sequence[str]) -> Float:
    """Return the scores with "both" ahead of a single leg where the lesser leg has its share of the evidence.

    A piece gives "both" the product of the legs' values and each leg what the other doesn't share, so the sum of a
    leg's own and the common score is its whole evidence.
    """
    one, two, both = (legs.index(leg) for leg in ("l1", "l2", "both"))
    whole = score[:, [one, two]] + score[:, [both]]
    lesser, greater = whole.min(axis=1), whole.max(axis=1)
    joined = score.copy()
    joined[:, both] = np.where(lesser > BOTH_SHARE * greater, greater + 1e-9, joined[:, both])
    return joined


def likely_legs(
    weighed: Weighed, fault: Fault, weights: Mapping[str, float], homes: NDArray[np.int64] | None = None
) -> tuple[list[str], Float]:
    """Return the leg of each home that the fault's pieces favour, and by how much over the next [log odds].

    `weights` are the model's weights of the pieces for this fault; only pieces that tell legs apart count. `homes`
    are the rows to look at, all if not given.
    """
    legs = list(fault.legs)
    own = slice(None) if homes is None else homes
    size = len(weighed.values[own])
    score = np.zeros((size, len(legs)))
    for piece in fault.pieces:
        if not piece.tells_leg:
            continue
        weight = max(weights.get(piece.name, 0.0), 0.1)
        for column, leg in enumerate(legs):
            if leg in weighed.by_leg[piece.name]:
                score[:, column] += weight * np.nan_to_num(weighed.by_leg[piece.name][leg][own])
    if len(legs) == 3:
        score = _with_both(score, legs)
    order = np.sort(score, axis=1)
    lead = order[:, -1] - order[:, -2] if len(legs) > 1 else np.full(size, np.inf)
    return [legs[column] for column in score.argmax(axis=1)], lead
