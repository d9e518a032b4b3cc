"""A register's texts as the contract types them, and why one can't be."""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast

import dataframely as dy
import polars as pl

from pipeline.core import contract, contract_text
from pipeline.ingest.column_names import nearest

_TRUE, _FALSE = ("true", "yes", "1"), ("false", "no", "0")


def parsed(name: str, column: dy.Column) -> pl.Expr:
    """Return a text column as the contract types it, null where a text is none of it."""
    text = pl.col(name)
    if isinstance(column, dy.Float64):
        return text.cast(pl.Float64, strict=False)
    if isinstance(column, dy.Bool):
        low = text.str.to_lowercase()
        return pl.when(low.is_in(_TRUE)).then(True).when(low.is_in(_FALSE)).then(False)
    if isinstance(column, dy.Date):
        # A date may carry a midnight, as spreadsheets and timestamps do.
        return text.str.replace(r"[T ]00:00(:00(\.0+)?)?(Z|[+-]00:?00)?$", "").str.to_date(
            "%Y-%m-%d", strict=False
        )
    return text


def outside(name: str, column: dy.Column, value: pl.Expr, *, texts: pl.Series) -> pl.Expr:
    """Return why a value breaks the contract, the nearest code offered where one looks like it.

    Parameters
    ----------
    name, column
        The contract's column.
    value
        Its typed value.
    texts
        What the register has in it, for the codes.
    """
    if name == "timezone":
        return _unlisted(name, contract.time_zones(), "an IANA time zone", texts)
    codes = contract.meta(column).get("codes")
    if codes is not None:
        return _unlisted(name, cast(tuple[str, ...], codes), "known", texts)
    reason = pl.lit(None, dtype=pl.String)
    if isinstance(column, dy.Float64 | dy.Date):
        rule = ~value.is_between(column.min, column.max)  # type: ignore[arg-type]
        if isinstance(column, dy.Float64):
            rule = ~value.is_finite() | rule
        reason = pl.when(rule).then(
            pl.format(f"{name}: {{}} is outside {contract_text.span(column)}", pl.col(name))
        )
    if not column.nullable:
        reason = pl.when(value.is_null()).then(pl.lit(f"{name} is missing")).otherwise(reason)
    return reason


def _unlisted(name: str, listed: Iterable[str], word: str, texts: pl.Series) -> pl.Expr:
    codes = set(listed)
    odd = [text for text in texts.drop_nulls().unique().to_list() if text not in codes]
    reasons = [f"{name}: '{text}' is not {word}{_nearest_code(text, codes)}" for text in odd]
    return pl.col(name).replace_strict(odd, reasons, default=None, return_dtype=pl.String)


def _nearest_code(text: str, codes: set[str]) -> str:
    """Return a hint with the likest code, one that has the text as a part before others: 240 is one of 120/240."""
    return nearest(text, [code for code in codes if text in code.split("/")]) or nearest(text, codes)
