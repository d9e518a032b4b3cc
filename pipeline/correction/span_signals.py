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
from pipeline.features.line_signals import line_days
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
    line_files: Sequence[Path] = (),
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
    line_files
        Files of line_day of homes with three lines, as far as there are any.

    Returns
    -------
    pl.DataFrame
        Sorted by `span`.
    """
    parts = [
        _signals(con, day_files, part, sites=sites, settings=settings, line_files=line_files)
        for part in _parts(spans, len(day_files))
    ]
    return (
        pl.concat(parts, how="diagonal_relaxed").sort("span")
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
    line_files: Sequence[Path],
) -> pl.DataFrame:
    named = spans.with_columns(as_home=pl.col("span").cast(pl.String).str.zfill(12))
    homes = spans["site_id"].unique()
    asked = named.select("site_id", "as_home", day=pl.date_ranges("from_on", "to_on")).explode("day")

    def of_homes(files: Sequence[Path]) -> pl.DataFrame:
        rows = pl.scan_parquet(list(files), glob=False, hive_partitioning=False)
        wanted = rows.filter(pl.col("site_id").is_in(homes.implode()))
        return wanted.join(asked.lazy(), on=["site_id", "day"]).collect().sort("as_home", "day")

    placed = of_homes(day_files).with_columns(place=pl.int_range(pl.len()).over("as_home"))
    rows = _laid_out(placed)
    if rows.is_empty():
        return pl.DataFrame(schema={"span": pl.Int64})
    with tempfile.TemporaryDirectory(prefix="nightclamp-spans-") as folder:
        files = _write_days(rows, Path(folder), "site_day")
        lined: list[Path] = []
        if line_files:
            places = placed.select("as_home", "day", "place")
            pairs = of_homes(line_files).join(places, on=["as_home", "day"], maintain_order="left")
            lined = _write_days(_laid_out(pairs), Path(folder), "line_day")
        last = _FIRST + timedelta(days=len(files))
        register = named.join(sites, on="site_id").with_columns(site_id="as_home").select(sites.columns)
        signals = site_signals(
            con,
            HomeDays.of(files),
            named.select(site_id="as_home", from_on=pl.lit(_FIRST), to_on=pl.lit(last)),
            sites=register,
            settings=settings,
            lines=line_days(lined),
        )
    found = named.select("as_home", "span", home="site_id", from_on="from_on", to_on="to_on")
    return (
        signals.join(found, left_on="site_id", right_on="as_home").with_columns(site_id="home").drop("home")
    )


def _laid_out(placed: pl.DataFrame) -> pl.DataFrame:
    """Return rows of spans as those of homes, on the days of their places."""
    return (
        placed.with_columns(site_id="as_home", day=pl.lit(_FIRST) + pl.duration(days="place"))
        .drop("as_home")
        .sort("place", "site_id", maintain_order=True)
    )


def _write_days(rows: pl.DataFrame, folder: Path, name: str) -> list[Path]:
    """Write a file a place and return them."""
    files = []
    for (place,), days in rows.group_by("place", maintain_order=True):
        files.append(folder / f"{name}-{place}.parquet")
        days.drop("place").write_parquet(files[-1], compression="lz4")
    return files
