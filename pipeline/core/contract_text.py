"""The contract in words: types, allowed values, and the tables of ingest/README.md."""

from __future__ import annotations

from datetime import date

import dataframely as dy
import polars as pl

from pipeline.core import contract


def kind(column: dy.Column) -> str:
    """Return a column's type in the words of the documents."""
    words = {pl.String: "text", pl.Float64: "number", pl.Boolean: "true/false", pl.Date: "date"}
    return words.get(column.dtype.base_type(), "timestamp")


def span(column: dy.Column) -> str:
    """Return a column's allowed values in words, empty where anything goes."""
    noted = contract.meta(column)
    if "codes" in noted:
        return ", ".join(noted["codes"])  # type: ignore[arg-type]
    if noted.get("is_by_home"):
        return "what the home's service and array can carry"
    low, high = getattr(column, "min", None), getattr(column, "max", None)
    if low is None or high is None:
        return ""
    return f"{low} to {high}" if isinstance(low, date) else f"{low:,g} to {high:,g}"


def markdown() -> str:
    """Return the contract as Markdown tables, one a table of the lake; ingest/README.md has this text."""
    parts: list[str] = []
    for table, schema in contract.TABLES.items():
        parts += [f"**{table}**", "", "| column | type | unit | may be empty | allowed | meaning |"]
        parts += ["|---|---|---|---|---|---|"]
        for name, column in schema.columns().items():
            empty = "yes" if column.nullable else "no"
            if contract.meta(column)["is_required"] and column.nullable:
                empty = "yes, but not the column"
            cells = (
                f"`{name}`",
                kind(column),
                contract.meta(column)["unit"],
                empty,
                span(column),
                column.description,
            )
            parts.append("| " + " | ".join(str(cell) for cell in cells) + " |")
        parts.append("")
    return "\n".join(parts)
