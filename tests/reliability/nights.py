"""A small lake, a night of it in a process of its own, and what of a run must be the same each time."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import date, datetime, time, timedelta
from pathlib import Path

import duckdb
import polars as pl

ROOT = Path(__file__).parents[2]
FIRST = date(2025, 6, 1)
NEXT = FIRST + timedelta(days=1)
HOMES = ("a", "b", "c")
# More of them than the shipped settings would list, so that pages and orders are there to be torn.
SETTINGS = """
[verdict]
suspect = 0.0001
sound = 0.0001
[ranking]
least_likelihood = 0.0
least_nights = 0
needless_visit_cost = 0.0
labour_rate_h = 0.0
"""


def rows(day: date, shift_w: float = 0.0) -> pl.DataFrame:
    """A day of half hours of all homes, of which the first reads the sun the wrong way."""
    midnight = datetime.combine(day, time())
    starts = [midnight + timedelta(minutes=30 * at) for at in range(48)]
    sun = [max(0.0, 3000.0 - 500.0 * abs(at / 2 - 19)) for at in range(48)]
    parts = [
        pl.DataFrame({"interval_start": starts, "pv_w": sun}).select(
            pl.lit(home).alias("site_id"),
            pl.col("interval_start").cast(pl.Datetime("us")),
            (300.0 + shift_w + (0.5 if home == "a" else -0.5) * pl.col("pv_w")).alias("l1_w"),
            (200.0 - 0.5 * pl.col("pv_w")).alias("l2_w"),
            "pv_w",
        )
        for home in HOMES
    ]
    return pl.concat(parts)


def put(
    lake: Path, day: date, frame: pl.DataFrame, name: str = "part.parquet", arrived_h: float = 0.0
) -> Path:
    """Put a file into the lake as a careful sender does: whole, under another name, then renamed."""
    path = lake / "intervals" / f"date={day}" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{name}.part")
    frame.write_parquet(part)
    arrived = datetime.combine(day, time()).timestamp() + 3600 * (24 + arrived_h)
    os.utime(part, (arrived, arrived))
    os.replace(part, path)
    return path


def build(root: Path) -> Path:
    """A lake of two days; the second has a late file beside."""
    lake = root / "lake"
    lake.mkdir(parents=True)
    site = "{},America/Denver,39.7,-105.0,north,120/240,200,7.6,true,c1"
    header = "site_id,timezone,latitude,longitude,area,service,service_amps,pv_kw,ct_sees_pv,crew_id"
    (lake / "sites.csv").write_text("\n".join([header, *(site.format(home) for home in HOMES)]) + "\n")
    (lake / "crews.csv").write_text("crew_id,crew_name\nc1,First crew\n")
    for day in (FIRST, NEXT):
        put(lake, day, rows(day))
    put(lake, NEXT, rows(NEXT, 5.0).head(10), "late.parquet", arrived_h=3)
    (root / "own.toml").write_text(SETTINGS)
    return lake


def words(lake: Path, out: Path, as_of: date = NEXT) -> list[str]:
    """The words of a night's command."""
    own = lake.parent / "own.toml"
    return ["nightly", str(lake), "--out", str(out), "--as-of", str(as_of), "--settings", str(own)]


def start(lake: Path, out: Path, as_of: date = NEXT, **how: object) -> subprocess.Popen[str]:
    """Start a night in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.commands.cli", *words(lake, out, as_of)],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **how,
    )  # type: ignore[call-overload,no-any-return]  # fmt: skip


def said(run: Path) -> dict[str, object]:
    """What is in a run folder: its files' bytes, of run.json all but seconds and run id, of the database its rows.

    A database file carries an identifier of its own.
    """
    held: dict[str, object] = {}
    for path in sorted(p for p in run.resolve().rglob("*") if p.is_file()):
        name = str(path.relative_to(run.resolve()))
        if name == "metrics.prom":  # seconds and the run id again
            held[name] = path.stat().st_size > 0
        elif name == "run.json":
            told = json.loads(path.read_text())
            told.pop("seconds")
            told.pop("run_id")
            told.pop("freshness")  # its hours are those of the night
            for file in ("nightclamp.duckdb", "metrics.prom"):
                told.get("files", {}).pop(file, None)
            held[name] = told
        elif path.suffix == ".duckdb":
            held[name] = _rows_of(path)
        else:
            held[name] = path.read_bytes()
    return held


def _rows_of(path: Path) -> dict[str, list[tuple[object, ...]]]:
    con = duckdb.connect(str(path), read_only=True)
    try:
        names = [name for (name,) in con.sql("SHOW TABLES").fetchall()]
        return {name: repr(con.table(name).fetchall()) for name in names}  # type: ignore[misc]
    finally:
        con.close()
