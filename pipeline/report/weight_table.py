"""A home's probes as people read them: the checks that decide, the other checks, and how the likelihood adds up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.probes.leg_text import NOT_KNOWN
from pipeline.report import words
from pipeline.report.report_input import FaultCard
from pipeline.scoring.sentences import SMALL_WEIGHT, odds_words

DECIDING = 3  # checks that are called the deciding ones
WHICH_DECIDES = 1.0  # log; a probe that tells this fault from the next by so much is never folded
_NO_CHECKS = ("prior", "register")  # what stands before the data, and what the site record says


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


@dataclass(frozen=True)
class Checks:
    """A home's probes as lines, (what was measured, how strong): `deciding` first, then `others`.

    `silent` are the labels of those without data.
    """

    deciding: list[tuple[str, str]]
    others: list[tuple[str, str]]
    silent: list[str]


def home_checks(weights: pl.DataFrame, contradicting: str | None) -> Checks:
    """Return the checks of one home's `site_weight`, strongest first, but `contradicting` ahead of all."""
    is_first = pl.col("probe") == (contradicting or "")
    ordered = weights.sort("ordinal").sort(is_first, descending=True, maintain_order=True)
    is_silent = (pl.col("state") == "cannot tell") | (pl.col("sentence") == NOT_KNOWN)
    is_check = ~pl.col("probe").is_in(_NO_CHECKS)
    deciding = ordered.filter(is_check, ~is_silent).head(DECIDING)
    chosen = deciding["probe"].to_list()
    others = ordered.filter(pl.col("probe") != "prior", ~is_silent, ~pl.col("probe").is_in(chosen))
    return Checks(
        [*deciding.select("sentence", "strength").iter_rows()],
        [*others.select("sentence", "strength").iter_rows()],
        ordered.filter(is_check, is_silent)["label"].to_list(),
    )


def weight_sum(
    weights: pl.DataFrame, fault: str | None, cards: Mapping[str, FaultCard]
) -> dict[str, Any] | None:
    """Return the sum behind the likelihood as a table, None without a row.

    Its columns are for any fault against a sound install [log odds and odds] and for `fault` against the next
    likeliest.
    """
    if weights.is_empty():
        return None
    known = weights["which_against"].drop_nulls()
    against = words.fault(known[0], cards) if known.len() else ""

    def row(label: str, weight: float, which: float) -> dict[str, str]:
        return {
            "label": label,
            "weight": words.number(weight, 2, sign=True),
            "odds": odds_words(weight, "a fault", "a sound install"),
            "which": odds_words(which, "this fault", against) if against else "",
        }

    ordered = weights.sort("ordinal").select("label", "weight", "which_weight")
    return {
        "rows": [row(*values) for values in ordered.iter_rows()],
        "total": row("Sum", float(weights["weight"].sum()), float(weights["which_weight"].sum())),
        "fault": words.fault(fault, cards),
        "against": against,
    }
