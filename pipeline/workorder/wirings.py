"""The night's table of wirings: which ways of connecting the CTs of a home with three lines explain its data."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.storage.run_files import require_whole
from pipeline.worklist.tables import earlier_table

TABLE = "wiring"


def read_wirings(out: Path) -> pl.DataFrame | None:
    """Return the table of OUT/latest; None where the night has no home with three lines, or published none.

    Raises
    ------
    InputError
        The table isn't what was published.
    """
    latest = out / "latest"
    wirings = earlier_table(latest, TABLE)
    if wirings is not None:
        require_whole(latest, [f"{TABLE}.parquet"], out)
    return wirings


def own_wirings(wirings: pl.DataFrame | None, site_id: str) -> pl.DataFrame | None:
    """Return one home's rows, the likeliest first; None where it has none."""
    if wirings is None:
        return None
    own = wirings.filter(pl.col("site_id") == site_id).sort("likelihood", descending=True, nulls_last=True)
    return None if own.is_empty() else own
