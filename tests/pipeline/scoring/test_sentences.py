"""Sentences of a whole column at once are those of each row, and the strongest pieces come first."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.contract import SOUND
from pipeline.evidence import all_pieces, weigh
from pipeline.faults import CATALOGUE
from pipeline.telling import evidence_lines, sentence, sentences
from pipeline.learning.labelled import Labelled

PIECES = all_pieces(CATALOGUE)
CLASSES = (*CATALOGUE, SOUND)


@pytest.mark.parametrize(("value", "told"), [(0.5, "+0.50"), (None, "n/a"), (float("nan"), "n/a")])
def test_a_sentence_with_a_missing_number_says_so(value: float | None, told: str) -> None:
    assert sentence("slope {slope:+.2f} W per W", {"slope": value}) == f"slope {told} W per W"


@pytest.mark.parametrize(
    "template",
    ["{share:.0%} of {nights} nights", "seen on {day}, {zone}", "no number", "{absent:.1f} and {share:+.2f}"],
)
def test_a_column_of_sentences_is_each_rows(template: str) -> None:
    rows = pl.DataFrame(
        {
            "share": [0.125, None, float("nan"), float("inf"), -0.0],
            "nights": [30, 0, None, 7, 1],
            "day": pl.Series(["2026-06-01", None, "2026-06-03", "2026-06-04", "2026-06-05"]).str.to_date(),
            "zone": ["a", "b", None, "", "{e}"],
        }
    )

    assert sentences(template, rows) == [sentence(template, row) for row in rows.iter_rows(named=True)]


def line_by_line(
    signals: pl.DataFrame, values: np.ndarray, told_of: np.ndarray, added: np.ndarray
) -> list[str]:
    """What `evidence_lines` says, home by home and piece by piece."""
    owners = np.array([owner for owner, _ in PIECES])
    lines = []
    for at, row in enumerate(signals.iter_rows(named=True)):
        name = CLASSES[told_of[at]]
        yes = np.nan_to_num(values[at]) > 0.5
        if name == SOUND:
            order = [piece for piece in range(len(PIECES)) if owners[piece] == SOUND and yes[piece]]
        else:
            tells = [
                piece
                for piece in range(len(PIECES))
                if (owners[piece] == name and yes[piece])
                or (
                    added[at, piece] > 0.05
                    and (yes[piece] or (owners[piece] == SOUND and values[at, piece] < 0.5))
                )
            ]
            order = sorted(
                tells, key=lambda piece: (not (owners[piece] == name and yes[piece]), -added[at, piece])
            )
        told = list(dict.fromkeys(sentence(PIECES[piece][1].sentence, row) for piece in order))
        lines.append("; ".join(told[:3]) or "too little data to tell")
    return lines


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_lines_are_those_of_each_home_alone(fleet: Labelled, seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = weigh(fleet.signals, CATALOGUE).values
    mixed = np.where(rng.random(values.shape) < 0.3, rng.random(values.shape), values)
    told_of = rng.integers(0, len(CLASSES), len(values))
    # Few different weights: pieces of equal weight keep their order.
    added = rng.integers(-2, 5, values.shape) / 2

    lines = evidence_lines(fleet.signals, mixed, told_of, CLASSES, added, CATALOGUE)

    assert lines == line_by_line(fleet.signals, mixed, told_of, added)
    assert len(set(lines)) > len(lines) / 2


def test_a_home_of_which_no_piece_speaks_has_too_little_data(fleet: Labelled) -> None:
    silent = np.full((fleet.signals.height, len(PIECES)), np.nan)
    told_of = np.zeros(len(silent), dtype=np.int64)

    lines = evidence_lines(fleet.signals, silent, told_of, CLASSES, np.zeros_like(silent), CATALOGUE)

    assert set(lines) == {"too little data to tell"}
