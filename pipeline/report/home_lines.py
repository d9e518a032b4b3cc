"""How many lines the pages show of a home: by what the night found, else by its service and its readings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.line_words import LineWords, fleet_words, line_count_of
from pipeline.core.services import LINES, SERVICES, UNKNOWN
from pipeline.report.series import HomeSeries


def home_lines(score: Mapping[str, Any], service: str | None, series: HomeSeries) -> tuple[str, ...]:
    """Return the lines of a home (l1, ...): those that were judged, and any more that have readings.

    Parameters
    ----------
    score
        The home's row of site_scores, with `line_count` where the night tells it.
    service
        By the site record.
    series
        Its readings.
    """
    count = score.get("line_count")
    if count is None:
        # Three lines are judged only where the third is read.
        count = min(line_count_of(service), 2)
    with_readings = [place for place, line in enumerate(LINES, start=1) if series.has(f"{line}_w")]
    return LINES[: max(count, *with_readings)] if with_readings else LINES[:count]


def line_counts(scores: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Return `site_id` and `line_count` [1..3] of every home of site_scores."""
    counts = {name: service.line_count for name, service in SERVICES.items()}
    by_record = (
        pl.col("service").fill_null(UNKNOWN).replace_strict(counts, default=2, return_dtype=pl.Int64)
        if "service" in sites.columns
        else pl.lit(2, pl.Int64)
    )
    homes = scores.select("site_id", *(["line_count"] if "line_count" in scores.columns else []))
    known = homes.join(sites.select("site_id", by_record=by_record), on="site_id", how="left")
    if "line_count" not in known.columns:
        known = known.with_columns(line_count=pl.lit(None, pl.Int64))
    return known.select(
        "site_id", line_count=pl.coalesce(pl.col("line_count").cast(pl.Int64), "by_record").fill_null(2)
    )


def with_line_counts(scores: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Return site_scores with `line_count` [1..3] of every home."""
    counts = line_counts(scores, sites)
    return scores.drop("line_count", strict=False).join(
        counts, on="site_id", how="left", maintain_order="left"
    )


def fleet_line_count(scores: pl.DataFrame, sites: pl.DataFrame) -> int:
    """Return the most lines that a home has: pages about all homes speak of legs where it is two."""
    return max(line_counts(scores, sites)["line_count"].unique().to_list(), default=2)


def words_of_fleet(scores: pl.DataFrame, sites: pl.DataFrame) -> LineWords:
    """Return what pages about all homes call their lines."""
    return fleet_words(line_counts(scores, sites)["line_count"].unique().to_list())
