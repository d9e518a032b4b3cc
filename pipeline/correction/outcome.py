"""What a run of corrections came to: the rows held against the lake's, home by home and day by day, and its record."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import __version__
from pipeline.core.atomic_files import write_bytes, write_parquet
from pipeline.correction.day_files import COUNTS, HOME, METHOD_COLUMNS, DayFiles
from pipeline.correction.digests import code_digest
from pipeline.correction.write_statement import StatementSummary
from pipeline.storage.layout import CORRECTED_LAST

RECONCILIATION = "reconciliation.parquet"
_OF_RUN = ("days_written", "days_removed")  # how it came about, not what is there: not of the record


@dataclass(frozen=True)
class CorrectionResult:
    """Where the corrected rows are, and what they come to.

    `address` is what people call `folder`. `episodes` is table EPISODE, `homes` table reconciliation: a row a home and
    day in the files. `days_gone` are no longer in the lake: their rows stay as they were. `seconds` by step.
    """

    folder: Path
    address: str
    as_of: date
    episodes: pl.DataFrame
    homes: pl.DataFrame
    statement: StatementSummary
    days_written: int
    days_removed: int
    days_gone: int
    seconds: Mapping[str, float]

    def summary(self) -> dict[str, Any]:
        """Return what is told of the run by `--json` and, but for what it did to the files, in correct.json.

        Keys: as_of, made_with (nightclamp, code), homes and days with corrected rows, rows (rows_in, used, duplicate,
        rejected), methods (rows by method), not_corrected (reason -> homes), days_written, days_removed, days_gone
        (days of the files that are no longer in the lake), seconds (by step).
        """
        totals = dict(zip(COUNTS, self.homes.select(pl.col(COUNTS).sum()).row(0), strict=True))
        return {
            "as_of": str(self.as_of),
            "made_with": {"nightclamp": __version__, "code": code_digest()},
            "homes": self.homes["site_id"].n_unique(),
            "days": self.homes["date"].n_unique(),
            "rows": {name: totals[name] for name in ("rows_in", "used", "duplicate", "rejected")},
            "methods": {method: totals[name] for method, name in METHOD_COLUMNS.items()},
            "not_corrected": not_corrected(self.episodes),
            "days_written": self.days_written,
            "days_removed": self.days_removed,
            "days_gone": self.days_gone,
            "seconds": dict(self.seconds),
        }


def reconcile(files: DayFiles) -> pl.DataFrame:
    """Write table reconciliation out of what the days' files say of themselves, and return it.

    A row a home and day: site_id, date, rows_in, used, duplicate, rejected as the lake has them, then rows written by
    method. used is the sum over methods.
    """
    days = [files.homes(day).with_columns(date=pl.lit(day)) for day in files.days()]
    empty = pl.DataFrame(schema={**HOME, "date": pl.Date})
    homes = pl.concat([empty, *days]).select("site_id", "date", *COUNTS).sort("date", "site_id")
    path = files.root / RECONCILIATION
    if not (path.is_file() and pl.read_parquet(path, glob=False).equals(homes)):
        write_parquet(path, homes)
    return homes


def not_corrected(episodes: pl.DataFrame) -> dict[str, int]:
    """Return why nothing is corrected -> homes of which nothing is, most first."""
    corrected = episodes.filter(pl.col("why_not").is_null())
    left = episodes.join(corrected, on="site_id", how="anti").unique(
        "site_id", keep="last", maintain_order=True
    )
    return dict(
        left.group_by("why_not").len("homes").sort("homes", "why_not", descending=[True, False]).iter_rows()
    )


def write_record(files: DayFiles, result: CorrectionResult) -> None:
    """Write correct.json, the last file of a run; one that says the same but for the time it took stays."""
    path = files.root / CORRECTED_LAST
    record = {name: value for name, value in result.summary().items() if name not in _OF_RUN}
    try:
        before = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        before = None
    if not (isinstance(before, dict) and {**before, "seconds": record["seconds"]} == record):
        write_bytes(path, (json.dumps(record, indent=1) + "\n").encode())
