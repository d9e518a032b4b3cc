"""Writes the statement of corrected energy into OUT/corrected: its tables and the pages for a customer-service desk."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.settings import Settings


@dataclass(frozen=True)
class StatementSummary:
    """What a statement comes to: homes with corrected readings, the kWh they used by the readings as reported and put
    right, over the same hours, and the first page.
    """

    homes: int
    kwh_reported: float
    kwh_corrected: float
    index: Path


def write_statement(
    corrected: Path, episodes: pl.DataFrame, sites: pl.DataFrame, *, as_of: date, settings: Settings
) -> StatementSummary:
    """Write tables and pages of what the corrected readings of `corrected` come to.

    Parameters
    ----------
    corrected
        OUT/corrected, with date=YYYY-MM-DD/corrected.parquet (`layout.CORRECTED`).
    episodes
        `layout.EPISODE`.
    sites
        The contract's register of homes.
    as_of
        The night.
    settings
        [correction].
    """
    return StatementSummary(0, 0.0, 0.0, corrected / "report" / "index.html")
