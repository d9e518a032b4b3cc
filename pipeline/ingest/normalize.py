"""A source's columns as the contract's intervals, in polars expressions; a bad row gets its reason."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from pipeline.core import contract
from pipeline.ingest.channels import widen
from pipeline.ingest.column_names import missing, with_named_columns
from pipeline.ingest.column_source import Source, whole
from pipeline.ingest.csv_reader import BAD, REASON, ROW, TEXT, UnusableFileError
from pipeline.ingest.lake_config import Intervals
from pipeline.ingest.plain_texts import number_as_text, plain
from pipeline.ingest.row_config import ENERGY_UNITS, UNITS
from pipeline.ingest.stamp_parts import stamp_texts
from pipeline.ingest.timestamps import interval_starts

STAGED = pl.Schema({**pl.Schema(contract.Interval), **BAD})
# Columns that a file doesn't have, made of its name and of stamps in parts.
_HOME, _STAMP = "_home_of_file", "_stamp_of_parts"


def conform(
    frame: pl.DataFrame, how: Intervals, required: Iterable[str], *, file_name: str = ""
) -> pl.DataFrame:
    """Return `frame` (any columns, the row number in `ROW`) with the schema `STAGED`.

    Powers become W, energies mean W, times UTC starts. `REASON` is null for a good row; else `TEXT` holds
    the source's own row as JSON.

    Parameters
    ----------
    frame
        The source's rows.
    how
        What lake.toml says of intervals.
    required
        Columns that it must have, unless lake.toml says that they come from elsewhere.
    file_name
        The file's own name, which may say the home.

    Raises
    ------
    UnusableFileError
        A required column is missing, a measure's column holds lists, or the file's name says no home.
    """
    sources = how.sources()
    named = with_named_columns(frame, how.reads_in_order())
    own, keys = _with_keys(named, how, sources, file_name)
    sources |= keys
    bad = pl.DataFrame(schema=BAD)
    if how.long is not None:
        own, bad = widen(own, how.long, sources)
    there = [name for name, source in sources.items() if not source.source or source.source in own.columns]
    for name in contract.absent(required, there):
        raise UnusableFileError(missing(name, sources[name].source, own.columns))
    own = own.with_columns(number_as_text(own[sources["site_id"].source]))
    numbers, faults = _numbers(own, how, sources)
    time = own[sources["interval_start"].source].alias(how.stamp_name)
    start, fault = interval_starts(time, own[sources["site_id"].source], how)
    own = own.with_columns(_text(sources["site_id"].source, how).alias("_site"))
    rating, unrated = _ratings(own["_site"], how)
    measures = {
        name: _measure(sources[name], how, str(contract.meta(column)["unit"]), rating)
        if not sources[name].source or sources[name].source in own.columns
        else pl.lit(None, dtype=pl.Float64)
        for name, column in contract.Interval.columns().items()
        if name in contract.READINGS
    }
    source = sources["pv_w"]
    if source.is_rated and source.source in own.columns:
        faults.append(pl.when(pl.lit(unrated) & (numbers[source.source] != 0)).then(pl.lit(_UNRATED)))
    normalized = own.with_columns(**numbers, **{REASON: pl.coalesce(pl.lit(fault), *faults)})
    shaped = normalized.select(
        pl.col("_site").alias("site_id"),
        pl.lit(start).alias("interval_start"),
        **measures,
        **{ROW: pl.col(ROW), REASON: pl.col(REASON)},
    )
    refused = own.filter(shaped[REASON].is_not_null())
    rows = refused.select(
        ROW, pl.struct(pl.exclude(ROW, _HOME, _STAMP, "_site")).struct.json_encode().alias(TEXT)
    )
    shaped = shaped.join(rows, on=ROW, how="left", maintain_order="left")
    return pl.concat([shaped.select(STAGED.names()).cast(STAGED), bad], how="diagonal")


_UNRATED = "pv_kw of the home is missing in sites: production a kW of rating needs it"


def _with_keys(
    frame: pl.DataFrame, how: Intervals, sources: dict[str, Source], file_name: str
) -> tuple[pl.DataFrame, dict[str, Source]]:
    """Add home and stamp as columns where no column has them; return the frame and their sources."""
    keys: dict[str, Source] = {}
    home, stamp = sources["site_id"], sources["interval_start"]
    if not home.source:
        text = home.always
        if home.file_name is not None:
            text = pl.select(pl.lit(file_name).str.extract(whole(home.file_name), 1)).item()
            if text is None:
                raise UnusableFileError(
                    f"has a name that doesn't fit lake.toml's {home.file_name}: no home is known"
                )
        frame = frame.with_columns(pl.lit(str(text)).alias(_HOME))
        keys["site_id"] = Source.model_validate(_HOME)
    if stamp.parts:
        for column in (part for part in how.stamp_parts.values() if isinstance(part, str)):
            if column not in frame.columns:
                raise UnusableFileError(missing(column, column, frame.columns))
        frame = frame.with_columns(stamp_texts(frame, how.stamp_parts).alias(_STAMP))
        keys["interval_start"] = Source.model_validate(_STAMP)
    return frame, keys


def _text(name: str, how: Intervals) -> pl.Expr:
    text = plain(pl.col(name).cast(pl.String))
    return pl.when(~text.is_in(["", *how.empty])).then(text)


def _ratings(homes: pl.Series, how: Intervals) -> tuple[pl.Series, pl.Series]:
    """Return each row's rating of its home [kW], null where it has none, and whether the register knows the home so."""
    ratings = pl.DataFrame(
        list(how.ratings.items()), schema={"home": pl.String, "kw": pl.Float64}, orient="row"
    )
    found = (
        homes.alias("home")
        .to_frame()
        .join(ratings.with_columns(is_known=pl.lit(True)), on="home", how="left", maintain_order="left")
    )
    return found["kw"], found["is_known"].fill_null(False) & found["kw"].is_null()


def _numbers(
    own: pl.DataFrame, how: Intervals, sources: dict[str, Source]
) -> tuple[dict[str, pl.Expr], list[pl.Expr]]:
    """Return every column that a measure needs as a number, and why a row has none."""
    needed: dict[str, None] = {}
    for name in contract.READINGS:
        source = sources[name]
        parts = (source.source, source.volts, source.power_factor)
        needed |= dict.fromkeys(part for part in parts if isinstance(part, str) and part)
    numbers: dict[str, pl.Expr] = {}
    faults: list[pl.Expr] = []
    for column in needed:
        if column not in own.columns:
            continue
        dtype = own.schema[column]
        if dtype.is_numeric() or dtype == pl.Null:
            number = pl.col(column).cast(pl.Float64)
        elif dtype.is_nested():
            raise UnusableFileError(f"column {column} is of type {dtype}, not a number")
        else:
            text = _text(column, how)
            pointed = text.str.replace(",", ".", literal=True) if how.decimal == "," else text
            number = pointed.cast(pl.Float64, strict=False)
            told = pl.concat_str(pl.lit(f"{column}: '"), text, pl.lit("' is not a number"))
            faults.append(pl.when(text.is_not_null() & number.is_null()).then(told))
        numbers[column] = number
    for source in (sources[name] for name in contract.READINGS):
        for helper in (source.volts, source.power_factor):
            if isinstance(helper, str) and source.source in own.columns and helper not in own.columns:
                raise UnusableFileError(missing(helper, helper, own.columns))
    return numbers, faults


def _measure(source: Source, how: Intervals, unit: str, rating_kw: pl.Series) -> pl.Expr:
    """Return the measure in the contract's unit; A become W by P = V I cos(phi), energy by its mean."""
    if source.none:
        return pl.lit(None, dtype=pl.Float64)
    if source.always is not None:
        value, own_unit = pl.lit(float(source.always)), source.plain_unit or unit
    else:
        value, own_unit = pl.col(source.source), source.plain_unit or unit
    value = value * (source.sign * UNITS[unit][own_unit])
    if own_unit in ENERGY_UNITS and how.minutes is not None:
        value = value * (60 / how.minutes)
    if own_unit == "A":
        for part in (source.volts, source.power_factor):
            value = value * (pl.col(part) if isinstance(part, str) else pl.lit(part))
    if source.is_rated:
        # Nothing times an unknown rating is nothing.
        value = pl.when(value == 0).then(value).otherwise(value * pl.lit(rating_kw))
    return value * source.factor + source.offset if (source.factor, source.offset) != (1, 0) else value
