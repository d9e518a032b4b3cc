"""Since when a fault is there, further back than the night's window, and until when, by the days' own statistics."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from pipeline.correction.yardstick import Yardstick

BY_CHANGE, BY_FIRST_DAY, BY_LIKENESS = (
    "a change in the data",
    "first day of data",
    "earlier days look the same",
)


def extend(
    con: duckdb.DuckDBPyConnection,
    episodes: pl.DataFrame,
    day_files: Sequence[Path],
    *,
    work: pl.DataFrame,
    as_of: date,
    yardstick: Yardstick,
) -> pl.DataFrame:
    """Return the episodes with `from_on` as far back as the data show the fault.

    Adds `from_basis` and `known_from`, the first day of which there is a row at all: nothing is known before it.

    Parameters
    ----------
    con
        Runs the queries.
    episodes
        Table EPISODE; `from_on` and `to_on` are days that surely lie in the episode (null `to_on`: `as_of`).
    day_files
        Files of site_day, a day each, with all days of these homes.
    work
        `site_id`, `visited_on`: visits and repairs (`Registers.service_work`); an episode doesn't reach across one.
    as_of
        Last day of the data.
    yardstick
        What the days are judged by.
    """
    return episodes.with_columns(from_basis=pl.lit(None, pl.String), known_from=pl.lit(None, pl.Date))
