"""Files of site_day, a day each, with the columns that the window reads; what a row doesn't say is null."""

from __future__ import annotations

from collections import defaultdict
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.settings import load_settings
from pipeline.features.aggregates import HomeDays
from pipeline.features.aggregates.daily import READ
from pipeline.features.aggregates.slope import SLOPES
from pipeline.features.aggregates.window import RANKED, SUMS

SETTINGS = load_settings()
COLUMNS = tuple(dict.fromkeys((*READ, *RANKED, *SUMS, *SLOPES)))
SCHEMA = {
    "site_id": pl.String,
    "day": pl.Date,
    **{name: pl.Int32 if name.startswith("n_") or name == "s_n" else pl.Float64 for name in COLUMNS},
}
JUNE = date(2025, 6, 1)


def june(day: int) -> date:
    return date(2025, 6, day)


def day_rows(*rows: dict[str, Any]) -> pl.DataFrame:
    """Rows of site_day; `day` is the day of June 2025."""
    told = [dict.fromkeys(SCHEMA) | row | {"day": june(row["day"])} for row in rows]
    assert {name for row in rows for name in row} <= set(SCHEMA)
    return pl.DataFrame(told, schema=SCHEMA, orient="row")


def put_days(folder: Path, days: pl.DataFrame) -> list[Path]:
    """Write a file a day, in order, as the store does."""
    paths = []
    for (day,), rows in days.sort("day", "site_id").group_by("day", maintain_order=True):
        paths.append(folder / f"{day}.parquet")
        rows.write_parquet(paths[-1])
    return paths


def home_days(folder: Path, *rows: dict[str, Any]) -> HomeDays:
    return HomeDays.of(put_days(folder, day_rows(*rows)))


def span_of(**spans: tuple[int, int]) -> pl.DataFrame:
    """The days of June that speak for each home, from and to."""
    rows = [(home, june(first), june(last)) for home, (first, last) in spans.items()]
    return pl.DataFrame(
        rows, schema={"site_id": pl.String, "from_on": pl.Date, "to_on": pl.Date}, orient="row"
    )


def many_days(homes: int, days: int, rng: Any) -> pl.DataFrame:
    """Days drawn at random: some homes lack days, some columns a value now and then, some homes a column for good."""
    rows = []
    never: dict[str, set[str]] = defaultdict(set)
    for home in (f"H{number:02d}" for number in range(homes)):
        never[home] = {name for name in COLUMNS if rng.random() < 0.1}
        for day in range(1, days + 1):
            if rng.random() < 0.9:
                row: dict[str, Any] = {"site_id": home, "day": day}
                for name in COLUMNS:
                    if name not in never[home] and rng.random() < 0.9:
                        whole = SCHEMA[name] == pl.Int32
                        row[name] = int(rng.integers(0, 40)) if whole else float(rng.lognormal(0, 2))
                rows.append(row)
    return day_rows(*rows)
