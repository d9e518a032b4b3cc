"""A few homes over fifty days with faults that begin and end on known days, their day statistics, and a yardstick."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
from scored_homes import unseen_fleet

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.correction.layout import EPISODE, SUSPECTED
from pipeline.correction.yardstick import Yardstick
from pipeline.evaluation.validation.nights import store_lake
from pipeline.ingest.registers import Registers
from pipeline.scoring.model import Model
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec, Wish

DAYS, END = 50, date(2026, 7, 20)
START = END - timedelta(days=DAYS - 1)
ONSET, FIXED = 14, 30
# Ordinary homes: solar power, CTs that see it, in service long before.
_PLAIN = (("sees_pv", True), ("hard", ""), ("service", "120/240"), ("cts_per_leg", 1))
WISHES = {
    0: Wish(fault="reversed", leg="l1", onset_day=ONSET, hard="", values=_PLAIN),
    1: Wish(fault="dead", leg="l2", onset_day=ONSET, fixed_day=FIXED, hard="", values=_PLAIN),
    2: Wish(fault="legs_crossed", leg="both", hard="", values=_PLAIN),
    3: Wish(fault="", hard="", values=_PLAIN),
    4: Wish(fault="wrong_ratio", leg="both", hard="", values=_PLAIN),
    5: Wish(fault="partial", leg="l2", hard="", values=_PLAIN),
}


@dataclass(frozen=True)
class FaultHistory:
    """`files` of site_day by day, the registers, what to judge by, the truth, and a connection."""

    files: tuple[Path, ...]
    registers: Registers
    yardstick: Yardstick
    truth: pl.DataFrame
    con: duckdb.DuckDBPyConnection


def day(number: int) -> date:
    return START + timedelta(days=number)


def build_history(root: Path, model: Model) -> FaultHistory:
    settings = load_settings()
    write_lake(
        FleetSpec(
            len(WISHES), days=DAYS, minutes=30, seed=8, end=END, fault_share=0.0, register_gap_share=0.0
        ),
        root / "lake",
        wishes=WISHES,
    )
    stored = store_lake(root / "lake", root / "work", settings)
    return FaultHistory(
        tuple(path for of_day in stored.files for path in of_day),
        stored.registers,
        Yardstick(model, unseen_fleet(model), stored.registers.sites, settings),
        stored.truth,
        sql_runner.connect(root, settings.engine),
    )


def episodes(*rows: dict[str, Any]) -> pl.DataFrame:
    """Table EPISODE; what a row doesn't say is null."""
    return pl.DataFrame([{"basis": SUSPECTED} | row for row in rows], schema=EPISODE, orient="row")
