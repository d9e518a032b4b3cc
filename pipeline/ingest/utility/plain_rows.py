"""A plain file of a utility's meters, one row an interval (CSV, Parquet), as parsed rows, mapped by [utility].

Only the columns that are mapped are read: what else such a file holds, of customers and accounts, is in no table and no
reject.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.core import contract
from pipeline.ingest.csv_reader import (
    REASON,
    ROW,
    UnusableFileError,
    read_delimited,
    with_plain_names,
)
from pipeline.ingest.plain_texts import number_as_text, plain
from pipeline.ingest.row_config import ENERGIES, POINT, TIME, UNITS, EnergySource, Utility
from pipeline.ingest.timestamps import interval_starts
from pipeline.ingest.untrusted_parquet import READ_ERRORS, read_foreign
from pipeline.ingest.utility.layout import PARSED
from pipeline.ingest.utility.row_limits import interval_reason, value_reason


def read_plain(path: Path, how: Utility) -> pl.DataFrame:
    """Return the rows of a CSV (plain or gzipped) or Parquet file, with the schema PARSED.

    Without `minutes` in lake.toml an interval's length is the commonest step of its usage point.

    Raises
    ------
    UnusableFileError
        Not readable, or without a usage point, a time or any energy.
    """
    rows, bad = _from_parquet(path) if path.suffix == ".parquet" else _from_text(path, how)
    rows = _mapped(rows, how)
    start, fault = interval_starts(rows[TIME], rows[POINT], how)
    numbers, faults = _numbers(rows, how)
    typed = rows.select(ROW, POINT).with_columns(
        start.alias("interval_start"),
        fault.alias("time_fault"),
        *numbers,
        pl.coalesce(faults).alias("number_fault"),
    )
    length = pl.lit(how.minutes, dtype=pl.Int64) if how.minutes is not None else _commonest_step()
    typed = typed.with_columns(minutes=length)
    missing = [
        pl.when(pl.col(POINT).is_null()).then(pl.lit("usage_point is missing")),
        pl.col("time_fault"),
        pl.when(pl.col("interval_start").is_null()).then(pl.lit("the time is missing")),
        pl.col("number_fault"),
        pl.when(pl.col("minutes").is_null()).then(
            pl.lit("the interval's length can't be told from one row; say minutes in [utility] of lake.toml")
        ),
    ]
    typed = typed.with_columns(reason=pl.coalesce(*missing, interval_reason(), value_reason()))
    is_bad = pl.col("reason").is_not_null()
    refused = rows.filter(typed["reason"].is_not_null())
    came = refused.select(ROW, row=pl.struct(pl.exclude(ROW)).struct.json_encode())
    parsed = typed.join(came, on=ROW, how="left", maintain_order="left").with_columns(
        source_row=pl.col(ROW),
        **{name: pl.when(~is_bad).then(pl.col(name)) for name in ENERGIES},
    )
    malformed = bad.select(source_row=pl.col(ROW), reason=pl.col(REASON))
    shaped = [
        frame.select(
            pl.col(name).cast(kind) if name in frame.columns else pl.lit(None, dtype=kind).alias(name)
            for name, kind in PARSED.items()
        )
        for frame in (parsed, malformed)
    ]
    return pl.concat(shaped)


def _from_text(path: Path, how: Utility) -> tuple[pl.DataFrame, pl.DataFrame]:
    return read_delimited(path, how.delimiter, is_multiline=False, skip_rows=how.skip_rows)


def _from_parquet(path: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    try:
        frame = read_foreign(path)
    except READ_ERRORS as error:
        message = " ".join(str(error).split())[:200]
        raise UnusableFileError(f"cannot be read as Parquet ({message}); send it again, whole") from error
    numbered = (
        frame.drop(ROW, strict=False).with_row_index(ROW, offset=1).with_columns(pl.col(ROW).cast(pl.Int64))
    )
    return numbered, pl.DataFrame(schema={ROW: pl.Int64, REASON: pl.String})


def _mapped(rows: pl.DataFrame, how: Utility) -> pl.DataFrame:
    """Return ROW and the columns that lake.toml maps, under our names; an energy that the file has not is null."""
    renamed = with_plain_names(rows)
    columns = how.columns
    sources = {POINT: columns.usage_point, TIME: columns.interval_start}
    sources |= {name: getattr(columns, name).source for name in ENERGIES}
    present = {name: source.strip().casefold() for name, source in sources.items()}
    found = {name: source for name, source in present.items() if source in renamed.columns}
    for name in (POINT, TIME):
        if name not in found:
            raise UnusableFileError(
                f"has no column '{sources[name]}'; say {name} in [utility.columns] of lake.toml"
            )
    if not set(found) & set(ENERGIES):
        raise UnusableFileError(
            f"has no column of {', '.join(sources[name] for name in ENERGIES)}; say them in lake.toml"
        )
    text = plain(pl.lit(number_as_text(renamed[found[POINT]])))
    return renamed.select(
        ROW,
        pl.when(~text.is_in(["", *how.empty])).then(text).alias(POINT),
        *(pl.col(found[name]).alias(name) for name in (TIME, *ENERGIES) if name in found),
    )


def _numbers(rows: pl.DataFrame, how: Utility) -> tuple[list[pl.Series], list[pl.Series]]:
    """Return the energies [Wh] and, a column each, why a text is no number."""
    numbers, faults = [], []
    for name in ENERGIES:
        source: EnergySource = getattr(how.columns, name)
        if name not in rows.columns:
            numbers.append(pl.Series(name, [None] * rows.height, dtype=pl.Float64))
            continue
        kind, value, fault = rows.schema[name], pl.col(name), pl.lit(None, dtype=pl.String)
        if not kind.is_numeric() and kind != pl.Null:
            text = plain(value.cast(pl.String))
            text = pl.when(~text.is_in(["", *how.empty])).then(text)
            pointed = text.str.replace(",", ".", literal=True) if how.decimal == "," else text
            value = pointed.cast(pl.Float64, strict=False)
            fault = pl.when(text.is_not_null() & value.is_null()).then(
                pl.format(f"{source.source}: '{{}}' is not a number", text)
            )
        scale = source.sign * UNITS["Wh"][source.unit]
        # kWh of three decimals are whole Wh: the product is rounded to a thousandth of one.
        wh = (value.cast(pl.Float64) * scale).round(6)
        out = rows.select(wh.alias(name), fault.alias("fault"))
        numbers.append(out[name])
        faults.append(out["fault"].alias(f"fault_{name}"))
    return numbers, faults


def _commonest_step() -> pl.Expr:
    """Return the commonest step between a usage point's times [min], if it is a length of the contract."""
    times = pl.col("interval_start").drop_nulls().unique().sort()
    steps = times.diff().dt.total_minutes().drop_nulls()
    known = steps.filter(steps.is_in(contract.INTERVAL_MINUTES))
    return known.mode().sort().first().over(POINT)
