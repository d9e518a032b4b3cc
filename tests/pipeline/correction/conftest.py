"""The invented fleet of corrected readings with its statement, written once for the tests that only read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest
from corrected_homes import AS_OF, write_fleet

from pipeline.core.settings import Settings, load_settings
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
