"""A source's times as the UTC starts of its intervals: formats, offsets, zones, clock changes, end labels."""

from __future__ import annotations

from typing import Literal

import polars as pl

from pipeline.ingest.plain_texts import plain
from pipeline.ingest.row_config import EPOCHS, TimedRows, offset_min

# The offset after a time of day: a date's own hyphens are none.
_OFFSET = r"(:\d{2}(?:\.\d+)?)\s*(Z|UTC|GMT|[+-]\d{2}(?::?\d{2})?)$"
# The midnight after, as some write the end of a day.
_HOUR_24 = r"(^|[T\s])24:00(:00(?:\.0+)?)?($|[\sZ+-])"
# A date alone is its midnight, as some writers shorten it.
_FORMATS = ("%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M", "%Y-%m-%d")
_TIME = pl.Datetime("us")
_TICKS_US = {"s": 1_000_000, "ms": 1000}
# Years 1 to 9999, in us since 1970.
_FIRST_US, _LAST_US = -62_135_596_800_000_000, 253_370_764_800_000_000


def interval_starts(times: pl.Series, homes: pl.Series, how: TimedRows) -> tuple[pl.Series, pl.Series]:
    """Return (start as naive UTC, why a row has none, else null) for `times`.

    A time with an offset of its own keeps it; one without is local to `how.zone`. Where the clock goes back,
    a home's first row of a doubled time is the earlier one, any later row the later. A local time that the
    clock skips does not exist. A label of the interval's end moves back by `how.minutes`.
    Each distinct time is read once: homes share them.
    """
    stamps = pl.DataFrame({"time": times, "home": homes})
    read = _read(stamps.select(pl.col("time").unique()), how)
    read = read.with_columns(early=_utc("earliest", how), late=_utc("latest", how))
    text = plain(pl.col("time").cast(pl.String))
    skipped = pl.lit("local time does not exist: the clock goes forward over it")
    reason = pl.when(pl.col("local").is_null()).then(pl.format(f"{times.name}: '{{}}' is not a time", text))
    is_lost = pl.col("early").is_null() & text.is_not_null() & ~text.is_in(["", *how.empty])
    read = read.with_columns(fault=pl.when(is_lost).then(reason.otherwise(skipped)))
    start = pl.col("early")
    if (read["early"] != read["late"]).any():
        start = pl.when(pl.int_range(pl.len()).over("home", "time") == 0).then(start).otherwise("late")
    back = pl.duration(minutes=how.minutes if how.labelled == "end" and how.minutes else 0)
    joined = stamps.join(read, on="time", how="left", nulls_equal=True, maintain_order="left")
    done = joined.select((start - back).alias("start"), "fault")
    return done["start"], done["fault"]


def _read(distinct: pl.DataFrame, how: TimedRows) -> pl.DataFrame:
    """Add `local`, the time as written, and `east_min`, its own offset from UTC, null where it has none."""
    dtype, time, utc = distinct.schema["time"], pl.col("time"), pl.lit(0, dtype=pl.Int64)
    if how.time_format in EPOCHS and (dtype.is_numeric() or dtype == pl.String):
        passed = _since_epoch(time if dtype.is_numeric() else plain(time), _TICKS_US[EPOCHS[how.time_format]])
        return distinct.with_columns(local=passed, east_min=utc)
    if isinstance(dtype, pl.Datetime) and dtype.time_zone is not None:
        return distinct.with_columns(local=_in_utc(time), east_min=utc)
    if isinstance(dtype, pl.Datetime | pl.Date) or dtype == pl.Null:
        return distinct.with_columns(local=time.cast(_TIME), east_min=pl.lit(None, dtype=pl.Int64))
    text = plain(time.cast(pl.String))
    is_midnight = text.str.contains(_HOUR_24)
    text = pl.when(is_midnight).then(text.str.replace(_HOUR_24, "${1}00:00${2}${3}")).otherwise(text)
    day = pl.duration(days=is_midnight.cast(pl.Int64))
    if how.time_format:
        form = " ".join(how.time_format.split())
        text = text.str.replace_all(r"\s+", " ")
        if how.year is not None:
            text, form = pl.format(f"{how.year} {{}}", text), f"%Y {form}"
        local = text.str.to_datetime(form, time_unit="us", strict=False) + day
        if "%z" in how.time_format:
            return distinct.with_columns(local=_in_utc(local), east_min=utc)
        return distinct.with_columns(local=local, east_min=pl.lit(None, dtype=pl.Int64))
    offset = text.str.extract(_OFFSET, 2).str.replace("^[A-Z]+$", "+0000").str.replace(":", "", literal=True)
    past_hour = offset.str.slice(3, 2).replace("", "0").cast(pl.Int64)
    minutes = offset.str.slice(1, 2).cast(pl.Int64) * 60 + past_hour
    base = text.str.replace(_OFFSET, "${1}").str.replace("T", " ", literal=True)
    local = pl.coalesce(*(base.str.to_datetime(form, time_unit="us", strict=False) for form in _FORMATS))
    local = local + day
    east = pl.when(offset.str.starts_with("-")).then(-minutes).otherwise(minutes)
    return distinct.with_columns(local=local, east_min=east)


def _since_epoch(count: pl.Expr, tick_us: int) -> pl.Expr:
    """Return the time of a count since 1970, whole or with a fraction; null where it is none."""
    passed_us = count.cast(pl.Float64, strict=False) * tick_us
    return (
        pl.when(passed_us.is_between(_FIRST_US, _LAST_US)).then(passed_us).round().cast(pl.Int64).cast(_TIME)
    )


def _utc(which: Literal["earliest", "latest"], how: TimedRows) -> pl.Expr:
    local = pl.col("local")
    fixed = 0 if how.zone == "UTC" else offset_min(how.zone)
    if fixed is not None:
        return local - pl.duration(minutes=pl.col("east_min").fill_null(fixed))
    zoned = _in_utc(local.dt.replace_time_zone(how.zone, ambiguous=which, non_existent="null"))
    utc = local - pl.duration(minutes=pl.col("east_min"))
    return pl.when(pl.col("east_min").is_null()).then(zoned).otherwise(utc)


def _in_utc(time: pl.Expr) -> pl.Expr:
    return time.dt.convert_time_zone("UTC").dt.replace_time_zone(None).cast(_TIME)
