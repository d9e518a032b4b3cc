"""A lake of four days, an OUT with a run of the last, and a correction of it by stages that can be checked by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from corrections import DAYS, THIRD_HOME, publish_run, stages_of
from lakes import SITES, build_lake, put, rows

from pipeline.core.settings import load_settings
from pipeline.correction.outcome import CorrectionResult
from pipeline.correction.run import CorrectionRequest, correct_lake
from pipeline.correction.stages import Stages


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    """Three homes over four days; the second has a duplicate, a refused row and a file that can't be read."""
    root = build_lake(tmp_path / "lake", SITES + THIRD_HOME)
    for day in DAYS:
        put(root, "part.parquet", pl.concat([rows(home, day) for home in "abc"]), day)
    put(root, "late.csv", rows("a", DAYS[1], l1_w=111.0).head(8), DAYS[1], arrived_h=1)
    put(root, "wrong.parquet", rows("b", DAYS[1], l1_w=1e9).head(3), DAYS[1], arrived_h=2)
    put(root, "broken.parquet", b"no parquet", DAYS[1], arrived_h=2)
    return root


@pytest.fixture
def out(tmp_path: Path) -> Path:
    publish_run(tmp_path / "out", DAYS[-1])
    return tmp_path / "out"


@pytest.fixture
def correct(lake: Path, out: Path) -> Callable[..., CorrectionResult]:
    def run(*episodes: dict[str, Any], sites: tuple[str, ...] = (), **stages: Any) -> CorrectionResult:
        chosen = stages_of(*episodes)
        if stages:
            chosen = Stages(chosen.find, stages["correct"], chosen.write)
        return correct_lake(CorrectionRequest(lake, out, sites), load_settings(), chosen)

    return run
