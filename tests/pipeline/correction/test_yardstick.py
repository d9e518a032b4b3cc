"""What a published night judged by, read back."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl

from pipeline.core.settings import load_settings
from pipeline.correction.yardstick import yardstick_of


def test_a_published_night_says_what_it_judged_by(sample_out: Path) -> None:
    night = sample_out / "latest"
    run = json.loads((night / "run.json").read_text(encoding="utf-8"))
    table = pl.read_parquet(night / "fleet_normal.parquet")

    read = yardstick_of(night, sample_out, table.clear(), settings=load_settings())

    assert read.model.model_id == run["model_id"]
    assert read.fleet.rate == run["base_rate"]
    assert len(read.fleet.normal) == table.height
    row = table.filter(probe="sun", quantity="gain", stratum="upstream").row(0, named=True)
    assert read.fleet.normal["sun.gain", "upstream"].spread == row["spread"]
