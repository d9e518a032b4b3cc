"""Faults as people read them: the trade's words for the codes that files hold."""

from __future__ import annotations

import re

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.core.line_words import line_words
from pipeline.core.percent_text import NOTHING
from pipeline.faults.catalogue import CATALOGUE

_TITLES = {name: fault.title for name, fault in CATALOGUE.items()} | {
    SOUND: "no CT fault",
    "other": "another cause",
}


def fault_title(code: str | None, line_count: int | None = None) -> str:
    """Return what the trade calls a fault at a home with so many lines (None: two), "–" for None.

    A code that is none loses its underscores.
    """
    title = _TITLES.get(code, code.replace("_", " ")) if code else NOTHING
    return line_words(line_count).retell(title)


def fault_title_column(code: pl.Expr, line_count: pl.Expr | None = None) -> pl.Expr:
    """Return `fault_title` of each value of a column, null where it is null; `line_count` None: all homes have two."""
    title = code.replace_strict(
        _TITLES, default=code.str.replace_all("_", " ", literal=True), return_dtype=pl.String
    )
    if line_count is None:
        return title
    for count in (1, 3):
        spoken = {said: line_words(count).retell(said) for said in _TITLES.values()}
        title = pl.when(line_count == count).then(title.replace(spoken)).otherwise(title)
    return title


def spell_faults(text: str) -> str:
    """Return the text with codes of faults as the trade's words; "a reversed CT" is plain English and stays."""
    for name, fault in CATALOGUE.items():
        text = re.sub(rf"(?<!CT )(?<!CTs )\b{re.escape(name)}\b(?! CT)", fault.title, text)
    return text
