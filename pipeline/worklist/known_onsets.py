"""The day on which a fault began, once found, stays: also when the days before it are no longer looked at.

A change is found by the days on both sides of it. Night by night the window leaves days before it behind, and a lake
that keeps less loses them at once; what was found by them is still true.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.scoring.score_homes import Scored
from pipeline.worklist.last_visit import UNFIXED, last_visits

_CHANGE = ("changed_on", "change_z", "change_of", "change_told")


def keep_onsets(
    scored: Scored, previous: Path | None, visits: pl.DataFrame, *, days: Sequence[date], suspect: float
) -> Scored:
    """Return the night's scores and signals with the changes of the run before that tonight's days can't show any more.

    A home that is and was suspected of a fault keeps its change, if tonight shows none, as long as fewer days lie
    before than after it: from there on it is lost by days that leave, while with more days before it not finding it
    means that the data speak against it. A visit since that left nothing undone ends it.

    Parameters
    ----------
    scored
        Tonight's scores and signals.
    previous
        Folder of the run before; None on the first night.
    visits
        The register, no visit later than the night.
    days
        The days that tonight has data of, up to the night.
    suspect
        [verdict] suspect: only such a home has an onset.
    """
    known = _known_changes(previous)
    if known is None or not days:
        return scored
    middle = sorted(days)[(len(days) - 1) // 2]
    suspected = scored.scores.filter(pl.col("suspected_fault").is_not_null())
    is_before_visit = (pl.col("last_visit_on") >= pl.col("known_changed_on")).fill_null(False)
    known = (
        known.filter(pl.col("known_changed_on") <= middle)
        .join(suspected, on="site_id", how="semi")
        .join(last_visits(visits, max(days)), on="site_id", how="left")
        .filter(~is_before_visit | (pl.col("outcome") == UNFIXED))
        .select("site_id", *(f"known_{name}" for name in _CHANGE))
    )
    is_kept = pl.col("changed_on").is_null()
    signals = (
        scored.signals.join(known, on="site_id", how="left", maintain_order="left")
        .with_columns(pl.when(is_kept).then(f"known_{name}").otherwise(name).alias(name) for name in _CHANGE)
        .select(scored.signals.columns)
    )
    is_suspect = pl.col("likelihood") >= suspect
    onsets = signals.select("site_id", "changed_on", "change_told")
    scores = (
        scored.scores.join(onsets, on="site_id", how="left", maintain_order="left")
        .with_columns(
            onset_on=pl.when(is_suspect).then("changed_on"),
            onset_evidence=pl.when(is_suspect).then("change_told"),
        )
        .select(scored.scores.columns)
    )
    return Scored(scores, signals, scored.fleet)


def _known_changes(previous: Path | None) -> pl.DataFrame | None:
    """Return `site_id` and the change, its columns as known_..., of the homes suspected in the run before."""
    files = [previous / f"{name}.parquet" for name in ("site_signal", "site_scores")] if previous else []
    if not files or not all(file.is_file() for file in files):
        return None
    signals, scores = (pl.scan_parquet(file, glob=False) for file in files)
    if not set(_CHANGE) <= set(signals.collect_schema().names()):
        return None
    return (
        signals.filter(pl.col("changed_on").is_not_null())
        .join(scores.filter(pl.col("suspected_fault").is_not_null()), on="site_id", how="semi")
        .select("site_id", *(pl.col(name).alias(f"known_{name}") for name in _CHANGE))
        .collect()
    )
