"""Writes what the proof found: a page for people, one CSV a table, all numbers as JSON, the pictures as SVG."""

from __future__ import annotations

import json
from math import isfinite
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.evaluation import result_pages
from pipeline.evaluation.validation import picture
from pipeline.evaluation.validation.run import Proof

_PICTURES = (
    {
        "name": "reliability",
        "alt": "Likelihood of any fault against how often there is one",
        "caption": "Any fault: the likelihood said against the share that came true, in bins of equal width; bars are "
        "95 % intervals, dots grow with their homes. On the dashed line likelihoods are what they say.",
    },
    {
        "name": "reliability-by-fault",
        "alt": "Likelihood of each fault against how often it is that fault",
        "caption": "Fault by fault: its own likelihood against how often it is that fault.",
    },
)


def write_proof(proof: Proof, out: Path) -> Path:
    """Write index.html, *.csv, proof.json and the pictures into `out` (created where missing); return the page.

    The page opens from disk and never reaches for the network. Files already there are overwritten.

    Raises
    ------
    OSError
        The folder or a file in it cannot be written.
    """
    out.mkdir(parents=True, exist_ok=True)
    for table in proof.tables:
        table.frame.write_csv(out / f"{table.name}.csv")
    proof.homes.write_csv(out / "homes.csv")
    (out / "proof.json").write_text(json.dumps(_as_json(proof), indent=1) + "\n", encoding="utf-8")
    specs = picture.overall(proof.reliability), picture.each_fault(proof.reliability)
    for shown, spec in zip(_PICTURES, specs, strict=True):
        result_pages.put_picture(out, shown["name"], spec)
    page = out / "index.html"
    page.write_text(
        result_pages.page(
            "proof.html", "pipeline.evaluation.validation", proof.tables,
            model_id=proof.model_id, told=proof.told, pictures=_PICTURES,
        ),
        encoding="utf-8",
    )  # fmt: skip
    return page


def _as_json(proof: Proof) -> dict[str, Any]:
    tables = {table.name: _rows(table.frame) for table in proof.tables}
    return {
        "model_id": proof.model_id,
        "told": proof.told,
        "request": proof.asked,
        "seconds": {name: round(seconds, 1) for name, seconds in proof.seconds.items()},
        "tables": tables,
        "reliability": _rows(proof.reliability),
    }


def _rows(frame: pl.DataFrame) -> list[dict[str, Any]]:
    """Return a frame's rows as JSON can say them: what is no number is null."""
    return [
        {
            name: None if isinstance(value, float) and not isfinite(value) else value
            for name, value in row.items()
        }
        for row in frame.to_dicts()
    ]
