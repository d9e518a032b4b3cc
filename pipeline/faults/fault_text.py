"""Faults as people read them: the trade's words for the codes that files hold."""

from __future__ import annotations

import re

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.core.percent_text import NOTHING
from pipeline.faults.catalogue import CATALOGUE

TITLES = {name: fault.title for name, fault in CATALOGUE.items()} | {
    SOUND: "no CT fault",
    "other": "another cause",
}


def fault_title(code: str | None) -> str:
    """Return what the trade calls a fault, "–" for None; a code that is none loses its underscores."""
    return TITLES.get(code, code.replace("_", " ")) if code else NOTHING


def fault_title_column(code: pl.Expr) -> pl.Expr:
    """Return `fault_title` of each value of a column, null where it is null."""
    return code.replace_strict(
        TITLES, default=code.str.replace_all("_", " ", literal=True), return_dtype=pl.String
    )


def spell_faults(text: str) -> str:
    """Return the text with codes of faults as the trade's words; "a reversed CT" is plain English and stays."""
    for name, fault in CATALOGUE.items():
        text = re.sub(rf"(?<!CT )(?<!CTs )\b{re.escape(name)}\b(?! CT)", fault.title, text)
    return text
