"""How severe a fault is over its own days: reading over truth of each leg, with honest errors."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from pipeline.correction.yardstick import Yardstick


def with_severity(
    con: duckdb.DuckDBPyConnection,
    episodes: pl.DataFrame,
    day_files: Sequence[Path],
    *,
    as_of: date,
    yardstick: Yardstick,
) -> pl.DataFrame:
    """Return the episodes with `gain_l1`, `gain_l2`, `ratio`, their standard errors and `gain_by`, null if not known.

    Parameters
    ----------
    con
        Runs the queries.
    episodes
        Table EPISODE.
    day_files
        Files of site_day, a day each, with all days of these homes.
    as_of
        Last day of the data.
    yardstick
        What is normal in the fleet: what a sound home's gain scatters by is in every error.
    """
    return episodes
