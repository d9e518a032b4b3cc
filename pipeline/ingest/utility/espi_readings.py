"""An ESPI file as parsed rows: readings wait on disk until all links are known, then become Wh or a reason."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import polars as pl

from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.utility.espi_codes import REFUSED_QUALITIES, USED_QUALITIES
from pipeline.ingest.utility.espi_feed import read_feed
from pipeline.ingest.utility.espi_links import resolve_blocks
from pipeline.ingest.utility.layout import PARSED
from pipeline.ingest.utility.row_limits import ENERGIES, interval_reason, value_reason

# Seconds since 1970 up to the year 2100: what a reading's start can be.
_LAST_START_S = 4_102_444_800
_WHOLE = r"^-?\d{1,15}$"


def read_espi(path: Path, workdir: Path) -> Iterator[pl.DataFrame]:
    """Yield the readings of an ESPI feed (XML, or gzipped) in pieces of the schema PARSED.

    A time is UTC, as the standard has it: LocalTimeParameters are for display and shift nothing.

    Raises
    ------
    UnusableFileError
        No feed, not whole, not harmless, or without one reading. Nothing is yielded before the whole file is read.
    """
    with tempfile.TemporaryDirectory(dir=workdir, prefix="espi-") as folder:
        pieces: list[Path] = []

        def keep(readings: pl.DataFrame) -> None:
            pieces.append(Path(folder) / f"{len(pieces):06d}.parquet")
            readings.write_parquet(pieces[-1], compression="lz4")

        blocks = resolve_blocks(read_feed(path, keep))
        if not pieces:
            raise UnusableFileError("holds no interval readings")
        for piece in pieces:
            readings = pl.read_parquet(piece, glob=False, hive_partitioning=False)
            piece.unlink()
            yield _parsed(readings.join(blocks, on="entry", how="left", maintain_order="left"))


def _parsed(readings: pl.DataFrame) -> pl.DataFrame:
    start_s, duration_s, value = (_whole(name) for name in ("start", "duration", "value"))
    length_s = pl.when(pl.col("duration").is_not_null()).then(duration_s).otherwise("interval_s")
    typed = readings.with_columns(start_s=start_s, length_s=length_s, count=value)
    wh = _scaled(pl.col("count").cast(pl.Float64), pl.col("power_of_ten"))
    hours = pl.when("is_power").then(pl.col("length_s") / 3600.0).otherwise(1.0)
    typed = typed.with_columns(
        wh=wh * hours,
        step_wh=_scaled(pl.lit(1.0), pl.col("power_of_ten")) * hours,
        minutes=pl.col("length_s") // 60,
        interval_start=(pl.col("start_s").clip(0, _LAST_START_S) * 1_000_000).cast(pl.Datetime("us")),
        quality=pl.coalesce("quality", "default_quality"),
    )
    energies = {name: pl.when(pl.col("flow") == name).then(pl.col("wh")) for name in ENERGIES}
    typed = typed.with_columns(**energies)
    reason = pl.coalesce(
        pl.when(pl.col("kind_is_unknown")).then(pl.lit("the reading lies in no interval block")),
        pl.col("why"),
        _time_reason(),
        interval_reason(),
        _quality_reason(),
        pl.when(pl.col("count").is_null()).then(_told("value", "is not a whole number")),
        value_reason(),
    )
    known = typed.with_columns(kind_is_unknown=pl.col("why").is_null() & pl.col("flow").is_null())
    row = pl.struct("usage_point", "start", "duration", "value", "quality").struct.json_encode()
    shaped = known.with_columns(reason=reason).with_columns(
        row=pl.when(pl.col("reason").is_not_null()).then(row)
    )
    is_bad = pl.col("reason").is_not_null()
    emptied = {name: pl.when(~is_bad).then(pl.col(name)) for name in (*ENERGIES, "step_wh")}
    return shaped.with_columns(**emptied).select(PARSED.names()).cast(PARSED)


def _whole(name: str) -> pl.Expr:
    text = pl.col(name)
    return pl.when(text.str.contains(_WHOLE)).then(text).cast(pl.Int64, strict=False)


def _scaled(number: pl.Expr, power_of_ten: pl.Expr) -> pl.Expr:
    """Return number x 10 ** power; divided where the power is negative, so that 974 mWh are 0.974 Wh exactly."""
    up, down = power_of_ten.clip(0, None), (-power_of_ten).clip(0, None)
    ten = pl.lit(10.0)
    return number * ten.pow(up) / ten.pow(down)


def _time_reason() -> pl.Expr:
    said, length = pl.col("length_s"), pl.col("interval_s")
    is_outside = ~pl.col("start_s").is_between(0, _LAST_START_S)
    return pl.coalesce(
        pl.when(pl.col("start_s").is_null()).then(_told("start", "is not a time in seconds")),
        pl.when(is_outside).then(_told("start", "lies outside the years 1970 to 2100")),
        pl.when(said.is_null()).then(_told("duration", "is not a length in seconds")),
        pl.when(said != length).then(
            pl.format("duration {} s, where the reading type says intervalLength {} s", said, length)
        ),
        pl.when(said % 60 != 0).then(pl.format("duration {} s is no whole number of minutes", said)),
    )


def _quality_reason() -> pl.Expr:
    """Return why a quality can't be used; a reading may have several, all of which must do."""
    qualities = pl.col("quality").str.split(",")
    odd = qualities.list.eval(pl.element().filter(~pl.element().is_in(list(USED_QUALITIES)))).list.first()
    named = odd.replace_strict(REFUSED_QUALITIES, default="unknown", return_dtype=pl.String)
    return pl.when(odd.is_not_null()).then(pl.format("quality {} ({}) is not used", odd, named))


def _told(name: str, what: str) -> pl.Expr:
    text = pl.col(name)
    return (
        pl.when(text.is_null())
        .then(pl.lit(f"{name} is missing"))
        .otherwise(pl.format(f"{name} '{{}}' {what}", text))
    )
