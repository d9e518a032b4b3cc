"""The utility's meter in the window of a shard: which of its days speak for a home, and their sums in site_window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.contract import BY_FILE, BY_ROWS
from pipeline.core.settings import Settings
from pipeline.features.hour_files import scan_hours
from pipeline.features.utility_meter.evidence import EVIDENCE, LEVELS, PRODUCTS, THIRD_LINE, meter_evidence

COVERED_MIN = 720  # a day counts as the meter's from half of it on
HOME_DAY = pl.Schema({"site_id": pl.String, "day": pl.Date})
# Columns of site_signal that say where a home's meter is from.
METER_COLUMNS = ("meter_offset_min", "meter_from_on", "meter_to_on", "meter_hours", "meter_why_not")
_SUMS = ("nm_n", *(name for name, _, _ in PRODUCTS), *LEVELS)


@dataclass(frozen=True)
class ShardMeters:
    """What files of the utility's meters say of some homes.

    `rows` are of table UTILITY; `hour_files` the files of site_hour of all days that may speak; `older` (HOME_DAY) the
    days older than the window that may, where the window's are too few.
    """

    rows: pl.DataFrame
    hour_files: Sequence[Path]
    older: pl.DataFrame


def metered_days(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Return HOME_DAY of each UTC day that rows of table UTILITY cover by half or more."""
    return (
        rows.group_by("site_id", pl.col("interval_start").dt.date().alias("day"))
        .agg(pl.col("minutes").sum())
        .filter(pl.col("minutes") >= COVERED_MIN)
        .select("site_id", "day")
    )


def shard_evidence(
    meters: ShardMeters, span: pl.DataFrame, first: date, *, settings: Settings
) -> pl.DataFrame:
    """Return table EVIDENCE of the homes that have a meter's file and readings.

    A home's span in the window speaks. Where it has fewer than [utility] least_days in common with the meter and begins
    with the window, days older than the window speak too: nobody was at the home since, and nothing changed.

    Parameters
    ----------
    meters
        What the files say.
    span
        `site_id`, `from_on`, `to_on`: the days of the window that speak for each home.
    first
        First day of the window.
    settings
        Sections [utility] and [day] are used.
    """
    homes = meters.rows["site_id"].unique().sort()
    if homes.is_empty() or not meters.hour_files:
        return pl.DataFrame(schema=EVIDENCE)
    hours = (
        scan_hours(meters.hour_files)
        .filter(pl.col("site_id").is_in(homes.implode()))
        .with_columns(pl.col("hour_start").dt.date().alias("day"))
        .collect()
        .join(span, on="site_id")
        .sort("site_id", "hour_start")
    )
    in_span = pl.col("day").is_between("from_on", "to_on")
    common = hours.filter(in_span).select(*HOME_DAY).unique()
    common = common.join(metered_days(meters.rows.lazy()).collect(), on=("site_id", "day"), how="semi")
    enough = common.group_by("site_id").len().filter(pl.col("len") >= settings.utility.least_days)
    older = meters.older.join(enough, on="site_id", how="anti").with_columns(is_older=True)
    spoken = hours.join(older, on=("site_id", "day"), how="left").filter(
        in_span | (pl.col("is_older").fill_null(False) & (pl.col("from_on") == first))
    )
    return meter_evidence(meters.rows, spoken, settings=settings.utility, day=settings.day)


def with_file_meters(site_window: pl.DataFrame, evidence: pl.DataFrame) -> pl.DataFrame:
    """Return table site_window with a meter's sums out of files where a home's rows have none of most intervals.

    `n_net` is then as `n_row`: the meter speaks for all of them. `meter_by` says where the sums are from, and
    METER_COLUMNS about which days.
    """
    is_rows = pl.col("n_net").fill_null(0) > 0.5 * pl.col("n_row")
    is_file = ~is_rows & pl.col("is_evidence").fill_null(False)
    told = evidence.drop(THIRD_LINE).rename(
        {"why_not": "meter_why_not", **{name: f"{name}_file" for name in _SUMS}}
    )
    return (
        site_window.join(
            told.with_columns(is_evidence=pl.col("meter_why_not").is_null()), on="site_id", how="left"
        )
        .with_columns(
            *(pl.when(is_file).then(f"{name}_file").otherwise(name).alias(name) for name in _SUMS),
            pl.when(is_file).then("n_row").otherwise("n_net").alias("n_net"),
            pl.when(is_file).then(pl.lit(BY_FILE)).when(pl.col("n_net") > 0).then(pl.lit(BY_ROWS)).alias("meter_by"),
            (is_file & pl.col("is_dark_only")).alias("is_dark_only"),
            *(pl.when(~is_rows).then(name).alias(name) for name in METER_COLUMNS),
        )
        .drop("is_evidence", *(f"{name}_file" for name in _SUMS))
        .sort("site_id")
    )  # fmt: skip
