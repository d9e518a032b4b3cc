"""Run in a copy of the project that has the column: a day by the kernels and by the oracle, and the feature."""

from __future__ import annotations

import json
import sys
from datetime import date
from pathlib import Path

import polars as pl
from day_oracle import build_day

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.features.aggregates import HomeDays
from pipeline.features.day_statistics import site_sky
from pipeline.features.day_store import Store
from pipeline.features.update_store import refresh_days
from pipeline.features.window_features import site_signals
from pipeline.ingest.intervals import load_day
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers

DAY = date(2025, 6, 1)
settings, root = load_settings(), Path(sys.argv[1])
lake, store = open_lake(root / "lake"), Store(root / "store")
registers = read_registers(lake, DAY)
con = sql_runner.connect(root, settings.engine)
(stored,) = refresh_days(
    con, lake, [DAY], registers=registers, store=store, settings=settings, workdir=root / "work"
)
paths = list(stored.paths(store, "site_day"))
load_day(con, lake, DAY, registers=registers, settings=settings, workdir=root / "work")
oracle, _ = build_day(con, site_sky(registers.sites, settings.day), settings.day, DAY)
span = registers.sites.select("site_id", from_on=pl.lit(DAY), to_on=pl.lit(DAY))
signals = site_signals(con, HomeDays.of(paths), span, sites=registers.sites, settings=settings)
rejects = pl.read_parquet(stored.paths(store, "reject"), hive_partitioning=False)
answer = {
    "kernel": pl.read_parquet(paths, hive_partitioning=False)["frequency_sum_hz"].to_list(),
    "oracle": oracle["frequency_sum_hz"].to_list(),
    "feature": signals["frequency_hz"].to_list(),
    "refused": rejects.select("reason", "row").rows(),
}
sys.stdout.write(json.dumps(answer))
