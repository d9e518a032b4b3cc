"""A home's weights as people read them: the probes that decide, the others folded, and this fault against the next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.report import words
from pipeline.report.report_input import FaultCard
from pipeline.scoring.sentences import SMALL_WEIGHT, odds_words

DECIDING = 3  # probes that are called the deciding ones
WHICH_DECIDES = 1.0  # log; a probe that tells this fault from the next by so much is never folded


@dataclass(frozen=True)
class Folded:
    """A home's rows of `site_weight` in two parts.

    `first` is what stands before the data and the probes with weight, strongest first; `rest` the probes that say
    little or could not tell.
    """

    first: pl.DataFrame
    rest: pl.DataFrame

    @property
    def rest_weight(self) -> float:
        """What the folded probes add up to [log odds]."""
        return float(self.rest["weight"].sum())

    @property
    def rest_label(self) -> str:
        """What the folded probes are called together."""
        return f"{words.count(self.rest.height, 'other probe')} together"


def fold(weights: pl.DataFrame, contradicting: str | None = None) -> Folded:
    """Return the rows in two parts.

    The probe `contradicting` a right install is never folded, nor one that decides which fault it is.
    """
    ordered = weights.sort("ordinal")
    is_weak = (pl.col("weight").abs() < SMALL_WEIGHT) | (pl.col("state") == "cannot tell").fill_null(False)
    is_telling_which = (pl.col("which_weight").abs() >= WHICH_DECIDES).fill_null(False)
    is_contradicting = pl.col("probe") == (contradicting or "")
    is_first = (pl.col("ordinal") == 0) | is_contradicting | is_telling_which | ~is_weak
    return Folded(ordered.filter(is_first), ordered.filter(~is_first))


def weight_table(
    weights: pl.DataFrame, fault: str | None, contradicting: str | None, *, cards: Mapping[str, FaultCard]
) -> dict[str, Any] | None:
    """Return the table's rows and sums in words, None without a row.

    Its columns are for any fault against a sound install (`strength`) and for `fault` against the next likeliest.

    Parameters
    ----------
    weights
        One home's site_weight.
    fault
        The suspected fault.
    contradicting
        The probe whose number no right install shows.
    cards
        Faults in words.
    """
    if weights.is_empty():
        return None
    folded = fold(weights, contradicting)
    known = weights["which_against"].drop_nulls()
    against = words.fault(known[0], cards) if known.len() else ""

    def rows(part: pl.DataFrame, deciding: int = 0) -> list[dict[str, Any]]:
        return [
            row | {"which": against_next(row["which_weight"]), "decides": 1 <= index <= deciding}
            for index, row in enumerate(part.iter_rows(named=True))
        ]

    def against_next(weight: float) -> str:
        return odds_words(weight, "it", against) if against else ""

    first = rows(folded.first, DECIDING)
    silent = folded.rest.filter(pl.col("state") == "cannot tell").height
    little = folded.rest.height - silent
    parts = [
        f"{words.count(little, 'probe')} that {'says' if little == 1 else 'say'} little" if little else "",
        f"{words.count(silent, 'probe')} that could not tell" if silent else "",
    ]
    return {
        "first": first,
        "rest": rows(folded.rest),
        "rest_words": f"{' and '.join(filter(None, parts))}; together: "
        f"{odds_words(folded.rest_weight, 'a fault', 'a sound install')}",
        "deciding": min(DECIDING, len(first) - 1),
        "fault": words.fault(fault, cards),
        "against": against,
        "total": odds_words(float(weights["weight"].sum()), "a fault", "a sound install"),
        "which_total": against_next(float(weights["which_weight"].sum())),
    }
