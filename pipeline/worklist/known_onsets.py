"""The day on which a fault began, once found, stays: also when the days before it are no longer looked at.

A change is found by the days on both sides of it. Night by night the window leaves days before it behind, and a lake
that keeps less loses them at once; what was found by them is still true.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl

from pipeline.worklist.last_visit import UNFIXED, last_visits

_KEPT = pl.Schema({"site_id": pl.String, "onset_on": pl.Date, "onset_evidence": pl.String})


def keep_onsets(
    scores: pl.DataFrame,
    before: pl.DataFrame | None,
    visits: pl.DataFrame,
    *,
    days: Sequence[date],
    suspect: float,
) -> pl.DataFrame:
    """Return the scores with the onsets of the run before where tonight's days can't show them any more.

    A suspect without an onset of its own tonight gets the one it had, as long as fewer days lie before than after it:
    from there on it is lost by days that leave, while with more days before it not finding it means that the data
    speak against it. A visit since that left nothing undone ends it.

    Parameters
    ----------
    scores
        Tonight's `site_scores`: site_id, likelihood, onset_on, onset_evidence.
    before
        `site_scores` of the run before; None on the first night.
    visits
        The register, no visit later than the night.
    days
        The days that tonight has data of, up to the night.
    suspect
        [verdict] suspect.
    """
    if before is None or not days or not set(_KEPT.names()) <= set(before.columns):
        return scores
    begins_after = sorted(days)[
        (len(days) - 1) // 2
    ]  # an onset later than this has as many days before as after it
    kept = (
        before.select(_KEPT.names())
        .cast(_KEPT)
        .filter(pl.col("onset_on") <= begins_after)
        .join(last_visits(visits, max(days)), on="site_id", how="left")
        .filter(
            ((pl.col("last_visit_on") < pl.col("onset_on")) | (pl.col("outcome") == UNFIXED)).fill_null(True)
        )
        .select("site_id", kept_on="onset_on", kept_evidence="onset_evidence")
    )
    is_kept = (pl.col("likelihood") >= suspect) & pl.col("onset_on").is_null()
    return (
        scores.join(kept, on="site_id", how="left", maintain_order="left")
        .with_columns(
            pl.when(is_kept).then(f"kept_{name}").otherwise(f"onset_{name}").alias(f"onset_{name}")
            for name in ("on", "evidence")
        )
        .drop("kept_on", "kept_evidence")
    )
