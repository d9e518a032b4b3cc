"""The views of nightclamp.duckdb as tables, for the pages."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.setting_sections import EngineSettings

VIEWS = ("crew_month", "crew_position", "crew_ranking")  # sql/, over the tables of tables.crew_tables


def view_rows(
    tables: Mapping[str, pl.DataFrame], workdir: Path, engine: EngineSettings
) -> dict[str, pl.DataFrame]:
    """Return the rows of each view (VIEWS) over these tables."""
    con = sql_runner.connect(workdir, engine)
    try:
        for name in ("crew_home", "crew_fault", "crew_quality"):
            con.register(name, tables[name].to_arrow())
        return {name: sql_runner.query(con, name, {}) for name in VIEWS}
    finally:
        con.close()
