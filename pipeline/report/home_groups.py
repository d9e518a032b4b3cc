"""The group that each home is in tonight: one of them, so that the counts of the pages add up to the fleet."""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import SAFETY, SOUND, SUSPECT, UNPROVEN
from pipeline.core.glossary import UNPROVEN_NEEDS

# In reading order; code: (name, what it means, with the fleet's words for its lines: `LineWords.spell`).
GROUPS: dict[str, tuple[str, str]] = {
    SAFETY: ("safety call", "The {many}' voltages move apart with load: pass it on at once. No CT job."),
    SUSPECT: (SUSPECT, "The data make a CT fault likely."),
    **{
        f"{UNPROVEN}-{need}": (f"unproven: needs {name}", text)
        for need, (name, text) in UNPROVEN_NEEDS.items()
    },
    SOUND: (SOUND, "The data show a right install."),
}


def home_group() -> pl.Expr:
    """Return the group of each row of site_scores: a key of GROUPS.

    A safety call is its own group whatever the CTs' verdict: such a home is not counted as sound.
    """
    return (
        pl.when(pl.col("verdict") == SAFETY).then(pl.lit(SAFETY))
        .when(pl.col("verdict") == UNPROVEN).then(pl.format("{}-{}", pl.lit(UNPROVEN), "unproven_need"))
        .otherwise(pl.col("verdict"))
    )  # fmt: skip


def group_counts(scores: pl.DataFrame) -> dict[str, int]:
    """Return how many homes of site_scores are in each group, every key of GROUPS in its order."""
    counted = dict(scores.group_by(group=home_group()).len().iter_rows())
    return {group: counted.get(group, 0) for group in GROUPS}
