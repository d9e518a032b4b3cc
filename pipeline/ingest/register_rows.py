"""A register's file as texts, and as the contract types them: each row that breaks it with its reason."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.core import contract, contract_text
from pipeline.core.errors import InputError
from pipeline.ingest.column_names import nearest
from pipeline.ingest.csv_reader import BAD, REASON, ROW, UnusableFileError, read_delimited
from pipeline.ingest.lake_config import Fields
from pipeline.ingest.plain_texts import BLANKS, number_as_text, plain
from pipeline.ingest.register_values import outside
from pipeline.ingest.register_values import parsed as as_typed
from pipeline.ingest.untrusted_parquet import READ_ERRORS, read_foreign


def ratings_kw(path: Path, fields: Fields) -> dict[str, float | None]:
    """Return pv_kw of each home [kW] in the register of homes, null where it has none; of two rows the first.

    Raises
    ------
    InputError
        The register can't be read, or lacks a required column.
    """
    texts, _ = register_texts(path)
    rows = typed_rows(path, texts, "sites", fields=fields).filter(pl.col(REASON).is_null())
    return dict(
        rows.unique("site_id", keep="first", maintain_order=True).select("site_id", "pv_kw").iter_rows()
    )


def register_texts(path: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the rows as texts, numbered in ROW, and what is not even a row, in the schema BAD.

    Raises
    ------
    InputError
        The file can't be read.
    """
    try:
        if path.suffix == ".csv":
            return read_delimited(path, is_multiline=True)
        frame = _foreign_texts(path)
    except UnusableFileError as error:
        raise InputError(f"{path}: {error}") from error
    rows = pl.int_range(1, frame.height + 1, dtype=pl.Int64, eager=True)
    return frame.with_columns(rows.alias(ROW)), pl.DataFrame(schema=BAD)


def _foreign_texts(path: Path) -> pl.DataFrame:
    try:
        return pl.DataFrame([number_as_text(column) for column in read_foreign(path).get_columns()])
    except READ_ERRORS as error:
        message = " ".join(str(error).split())[:200]
        raise UnusableFileError(f"cannot be read as Parquet ({message})") from error


def typed_rows(path: Path, texts: pl.DataFrame, table: str, *, fields: Fields) -> pl.DataFrame:
    """Return ROW, the register's columns as the contract types them, and REASON, null where a row is good.

    Parameters
    ----------
    path
        The file, for what is told.
    texts
        Its rows.
    table
        Which register it is.
    fields
        What lake.toml says of its columns.

    Raises
    ------
    InputError
        A required column is missing, or two columns have one name.
    """
    schema = contract.TABLES[table]
    names: dict[str, str] = {}
    for column in texts.columns:
        before = names.setdefault(column.strip(BLANKS).casefold(), column)
        if before != column:
            raise InputError(f"{path}: columns '{before}' and '{column}' have one name; keep one")
    values: list[pl.Expr] = []
    for name in schema.columns():
        field = fields.get(name)
        source = names.get((field.source if field and field.source else name).casefold())
        if field is not None and field.always is not None:
            values.append(pl.lit(str(field.always)).alias(name))
        elif source is not None:
            text = plain(pl.col(source))
            values.append(pl.when(text != "").then(text).alias(name))
        elif name in contract.required(table):
            raise InputError(
                f"{path}: no column {name}{nearest(name, set(names) - {ROW, *schema.columns()})}"
            )
        else:
            values.append(pl.lit(None, dtype=pl.String).alias(name))
    mapped = texts.select(ROW, *values)
    parsed = {name: as_typed(name, column) for name, column in schema.columns().items()}
    faults: list[pl.Expr] = [
        pl.when(pl.col(name).is_not_null() & expr.is_null()).then(
            pl.format(f"{name}: '{{}}' is not a {contract_text.kind(column)}", pl.col(name))
        )
        for (name, column), expr in zip(schema.columns().items(), parsed.values(), strict=True)
    ]
    faults += [
        outside(name, column, parsed[name], texts=mapped[name]) for name, column in schema.columns().items()
    ]
    return mapped.select(ROW, **parsed, **{REASON: pl.coalesce(*faults)})
