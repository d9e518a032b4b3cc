"""A day's statistics as SQL over its rows: what the compiled code must equal and `nightclamp bench` times beside it.

Each file of sql/ beside this one is a table: its header says what a row is and what each column means.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import polars.selectors as cs

from pipeline.core import sql_runner
from pipeline.core.setting_sections import DaySettings
from pipeline.features.day_statistics import day_params

# In the order in which they read each other.
TABLES = (
    "interval_length", "interval_time", "sun_time", "interval_step", "site_day_level", "site_day_step", "ramp",
    "site_day_ramp", "site_day_meter",
)  # fmt: skip
_FOLDER = Path(__file__).parent / "sql"
STEMS = tuple(sorted(path.stem for path in _FOLDER.glob("*.sql")))


def sql_text(table: str) -> str:
    """Return the text of a query of the oracle, or of one that the pipeline has too."""
    return (
        (_FOLDER / f"{table}.sql").read_text(encoding="utf-8")
        if table in STEMS
        else sql_runner.sql_text(table)
    )


def select(con: duckdb.DuckDBPyConnection, table: str, params: Mapping[str, Any]) -> duckdb.DuckDBPyRelation:
    """Return a query, not yet run; a parameter nobody gives is a KeyError with its name."""
    text = sql_text(table)
    wanted = {name: params[name] for name in sql_runner.parameter_names(text)}
    return con.sql(text, params=wanted) if wanted else con.sql(text)


def build_day(
    con: duckdb.DuckDBPyConnection, sky: pl.DataFrame, settings: DaySettings, day: date
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (site_day, site_hour) of the day whose rows stand in the table `interval_used`; `sky` is `site_sky`."""
    params = day_params(settings, day)
    con.register("site_sky", sky.to_arrow())
    for table in TABLES:
        sql_runner.keep(con, select(con, table, params), table)
    # Counts come as numbers of 38 digits; a day has a few hundred rows.
    site_day = select(con, "site_day", params).pl().with_columns((cs.decimal() | cs.integer()).cast(pl.Int32))
    site_hour = select(con, "site_hour", params).pl()
    for table in reversed(TABLES):
        con.execute(f'DROP TABLE "{table}"')
    con.unregister("site_sky")
    return site_day, site_hour
