"""A source's columns as the contract's intervals, in polars expressions; a bad row gets its reason."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

import polars as pl

from pipeline.core import contract
from pipeline.ingest.csv_reader import BAD, REASON, ROW, TEXT, UnusableFileError
from pipeline.ingest.lake_config import Intervals, Source
from pipeline.ingest.plain_texts import number_as_text, plain
from pipeline.ingest.row_config import ENERGY_UNITS, UNITS
from pipeline.ingest.timestamps import interval_starts

STAGED = pl.Schema({**pl.Schema(contract.Interval), **BAD})


def conform(frame: pl.DataFrame, how: Intervals, required: Iterable[str]) -> pl.DataFrame:
    """Return `frame` (any columns, the row number in `ROW`) with the schema `STAGED`.

    Powers become W, energies mean W, times UTC starts. `REASON` is null for a good row; else `TEXT` holds
    the source's own row as JSON.

    Raises
    ------
    UnusableFileError
        A required column is missing, or a measure's column holds lists.
    """
    sources = {
        name: how.columns.get(name) or Source.model_validate(name) for name in contract.Interval.columns()
    }
    renamed = _by_contract_case(frame, sources)
    bad = pl.DataFrame(schema=BAD)
    if how.long is not None:
        renamed, bad = _widen(renamed, how, sources)
    for name in required:
        if sources[name].source not in renamed.columns:
            raise UnusableFileError(_missing(name, sources[name].source, renamed.columns))
    renamed = renamed.with_columns(number_as_text(renamed[sources["site_id"].source]))
    numbers, faults = _numbers(renamed, how, sources)
    time = renamed[sources["interval_start"].source]
    start, fault = interval_starts(time, renamed[sources["site_id"].source], how)
    normalized = renamed.with_columns(**numbers, **{REASON: pl.coalesce(pl.lit(fault), *faults)})
    measures = {
        name: _measure(sources[name], how, str(contract.meta(column)["unit"]))
        if sources[name].source in renamed.columns
        else pl.lit(None, dtype=pl.Float64)
        for name, column in contract.Interval.columns().items()
        if name in contract.MEASURES
    }
    shaped = normalized.select(
        _text(sources["site_id"].source, how).alias("site_id"),
        pl.lit(start).alias("interval_start"),
        **measures,
        **{ROW: pl.col(ROW), REASON: pl.col(REASON)},
    )
    refused = renamed.filter(shaped[REASON].is_not_null())
    rows = refused.select(ROW, pl.struct(pl.exclude(ROW)).struct.json_encode().alias(TEXT))
    shaped = shaped.join(rows, on=ROW, how="left", maintain_order="left")
    return pl.concat([shaped.select(STAGED.names()).cast(STAGED), bad], how="diagonal")


def nearest(name: str, names: Iterable[str]) -> str:
    """Return a hint with the name that looks most like `name`, or nothing."""
    close = difflib.get_close_matches(name, list(names), n=1, cutoff=0.5)
    return f"; did you mean '{close[0]}'?" if close else ""


def _missing(name: str, source: str, columns: list[str]) -> str:
    mapped = f" (from '{source}', says lake.toml)" if source != name else ""
    strangers = set(columns) - {ROW, *contract.Interval.columns()}
    return f"has no column {name}{mapped}{nearest(source, strangers)}"


def _by_contract_case(frame: pl.DataFrame, sources: dict[str, Source]) -> pl.DataFrame:
    """Match names regardless of case and blanks around them."""
    wanted = {source.source.casefold(): source.source for source in sources.values()}
    present = set(frame.columns)
    renames = {c: wanted.get(c.strip().casefold(), c) for c in frame.columns}
    for name in set(wanted.values()) - present:
        same = [c for c, to in renames.items() if to == name]
        if len(same) > 1:
            raise UnusableFileError(
                f"has the column '{name}' twice, as '{same[0]}' and '{same[1]}'; keep one"
            )
    return frame.rename({c: to for c, to in renames.items() if c != to and to not in present})


def _text(name: str, how: Intervals) -> pl.Expr:
    text = plain(pl.col(name).cast(pl.String))
    return pl.when(~text.is_in(["", *how.empty])).then(text)


def _numbers(
    own: pl.DataFrame, how: Intervals, sources: dict[str, Source]
) -> tuple[dict[str, pl.Expr], list[pl.Expr]]:
    """Return every column that a measure needs as a number, and why a row has none."""
    needed: dict[str, None] = {}
    for name in contract.MEASURES:
        source = sources[name]
        needed |= dict.fromkeys(
            part for part in (source.source, source.volts, source.power_factor) if isinstance(part, str)
        )
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
            plain = text.str.replace(",", ".", literal=True) if how.decimal == "," else text
            number = plain.cast(pl.Float64, strict=False)
            told = pl.format(f"{column}: '{{}}' is not a number", text)
            faults.append(pl.when(text.is_not_null() & number.is_null()).then(told))
        numbers[column] = number
    for source in (sources[name] for name in contract.MEASURES):
        for helper in (source.volts, source.power_factor):
            if isinstance(helper, str) and source.source in own.columns and helper not in own.columns:
                raise UnusableFileError(_missing(helper, helper, own.columns))
    return numbers, faults


def _measure(source: Source, how: Intervals, unit: str) -> pl.Expr:
    """Return the measure in the contract's unit; A become W by P = V I cos(phi), energy by its mean."""
    value = pl.col(source.source) * (source.sign * UNITS[unit][source.unit or unit])
    if source.unit in ENERGY_UNITS and how.minutes is not None:
        value = value * (60 / how.minutes)
    if source.unit == "A":
        for part in (source.volts, source.power_factor):
            value = value * (pl.col(part) if isinstance(part, str) else pl.lit(part))
    return value


def _widen(
    own: pl.DataFrame, how: Intervals, sources: dict[str, Source]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Put the channels of one home and time on one row; one sent twice makes a second row."""
    assert how.long is not None
    channel, value = how.long.channel, how.long.value
    keys = [sources["site_id"].source, sources["interval_start"].source]
    for name in (channel, value, *keys):
        if name not in own.columns:
            raise UnusableFileError(_missing(name, name, own.columns))
    own = own.with_columns(plain(pl.col(channel).cast(pl.String)))
    wanted = [s.source for n, s in sources.items() if n in contract.MEASURES]
    wanted += [p for s in sources.values() for p in (s.volts, s.power_factor) if isinstance(p, str)]
    wanted = list(dict.fromkeys(wanted))
    is_known = pl.col(channel).is_in(wanted)
    unknown = own.filter(
        ~is_known.fill_null(False) & ~pl.col(channel).is_in(how.long.ignore).fill_null(False)
    )
    told = pl.format(f"{channel}: '{{}}' is not named in lake.toml", pl.col(channel).fill_null(""))
    bad = unknown.select(
        pl.col(ROW), told.alias(REASON), pl.struct(pl.exclude(ROW)).struct.json_encode().alias(TEXT)
    )
    copy = pl.int_range(pl.len()).reverse().over([*keys, channel]).alias("_copy")
    present = [name for name in wanted if name in own[channel].unique().to_list()]
    wide = (
        own.filter(is_known)
        .with_columns(copy)
        .group_by([*keys, "_copy"], maintain_order=True)
        .agg(
            *(pl.col(value).filter(pl.col(channel) == name).first().alias(name) for name in present),
            pl.col(ROW).min(),
        )
        .sort("_copy", descending=True, maintain_order=True)
        .drop("_copy")
    )
    return wide, bad.cast(BAD)
