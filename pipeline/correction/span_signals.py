"""What the physics says over any number of spans of days of each home, all spans worked out side by side.

The features are made for one span a home. Here each span stands for a home of its own: its days are laid out as its
first, second, third day, so a year's spans of five days cost five days of a larger fleet.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.settings import Settings
from pipeline.features.aggregates import HomeDays
from pipeline.features.window_features import site_signals

_FIRST = date(2000, 1, 1)  # where the days of all spans begin
_DAYS_AT_ONCE = 60_000  # homes' days in memory: 100 MB


def span_signals(
    con: duckdb.DuckDBPyConnection,
    day_files: Sequence[Path],
    spans: pl.DataFrame,
    *,
    sites: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Return table site_signal, a row a span with rows in it, with the span's own columns `span`, `from_on`, `to_on`.

    Parameters
    ----------
    con
        Runs the queries.
    day_files
        Files of site_day, a day each.
    spans
        `span` (whole number, unique), `site_id`, `from_on`, `to_on`; spans may overlap.
    sites
        The register, every contract column present.
    settings
        Section [feature] is used.

    Returns
    -------
    pl.DataFrame
        Sorted by `span`.
    """
    parts = [
        _signals(con, day_files, part, sites=sites, settings=settings)
        for part in _parts(spans, len(day_files))
    ]
    return (
        pl.concat(parts, how="vertical_relaxed").sort("span")
        if parts
        else pl.DataFrame(schema={"span": pl.Int64})
    )


def _parts(spans: pl.DataFrame, days: int) -> Iterator[pl.DataFrame]:
    """Yield the spans of so many homes at once that their days fit into memory."""
    homes = spans["site_id"].unique().sort()
    step = max(1, _DAYS_AT_ONCE // max(days, 1))
    for first in range(0, len(homes), step):
        yield spans.filter(pl.col("site_id").is_in(homes[first : first + step].implode()))


def _signals(
    con: duckdb.DuckDBPyConnection,
    day_files: Sequence[Path],
    spans: pl.DataFrame,
    *,
    sites: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    named = spans.with_columns(as_home=pl.col("span").cast(pl.String).str.zfill(12))
    homes = spans["site_id"].unique()
    asked = named.select("site_id", "as_home", day=pl.date_ranges("from_on", "to_on")).explode("day")
    rows = (
        pl.scan_parquet(list(day_files), glob=False, hive_partitioning=False)
        .filter(pl.col("site_id").is_in(homes.implode()))
        .join(asked.lazy(), on=["site_id", "day"])
        .collect()
        .sort("as_home", "day")
        .with_columns(place=pl.int_range(pl.len()).over("as_home"))
        .with_columns(site_id="as_home", day=pl.lit(_FIRST) + pl.duration(days="place"))
        .drop("as_home")
        .sort("place", "site_id")
    )
    if rows.is_empty():
        return pl.DataFrame(schema={"span": pl.Int64})
    with tempfile.TemporaryDirectory(prefix="nightclamp-spans-") as folder:
        files = []
        for (place,), days in rows.group_by("place", maintain_order=True):
            files.append(Path(folder) / f"{place}.parquet")
            days.drop("place").write_parquet(files[-1], compression="lz4")
        last = _FIRST + timedelta(days=len(files))
        register = named.join(sites, on="site_id").with_columns(site_id="as_home").select(sites.columns)
        signals = site_signals(
            con,
            HomeDays.of(files),
            named.select(site_id="as_home", from_on=pl.lit(_FIRST), to_on=pl.lit(last)),
            sites=register,
            settings=settings,
        )
    found = named.select("as_home", "span", home="site_id", from_on="from_on", to_on="to_on")
    return (
        signals.join(found, left_on="site_id", right_on="as_home").with_columns(site_id="home").drop("home")
    )
