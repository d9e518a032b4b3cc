"""The invented fleet with its statement, written once for tests that only read; a lake, an OUT and a correction."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from corrected_homes import AS_OF, write_fleet
from corrections import DAYS, THIRD_HOME, publish_run, stages_of
from lakes import SITES, build_lake, put, rows

from pipeline.core.settings import Settings, load_settings
from pipeline.correction.outcome import CorrectionResult
from pipeline.correction.run import CorrectionRequest, correct_lake
from pipeline.correction.write_statement import StatementSummary, write_statement


@dataclass(frozen=True)
class Written:
    """OUT/corrected with its statement, and what it was made of."""

    folder: Path
    summary: StatementSummary
    episodes: pl.DataFrame
    sites: pl.DataFrame

    def table(self, name: str) -> pl.DataFrame:
        return pl.read_parquet(self.folder / f"{name}.parquet")


@pytest.fixture(scope="session")
def settings() -> Settings:
    return load_settings()


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory, settings: Settings) -> Written:
    folder = tmp_path_factory.mktemp("out") / "corrected"
    episodes, sites = write_fleet(folder)
    summary = write_statement(folder, episodes, sites, as_of=AS_OF, settings=settings)
    return Written(folder, summary, episodes, sites)


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
        return correct_lake(
            CorrectionRequest(lake, out, sites), load_settings(), stages_of(*episodes, **stages)
        )

    return run
