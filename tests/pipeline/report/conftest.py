"""The example night and its report, written once for the tests that only read."""

from __future__ import annotations

from pathlib import Path

import pytest
from example import example_night

from pipeline.core.settings import Settings, load_settings
from pipeline.report import ReportInput, write_report


@pytest.fixture(scope="session")
def settings() -> Settings:
    return load_settings()


@pytest.fixture(scope="session")
def night() -> ReportInput:
    return example_night()


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory, night: ReportInput, settings: Settings) -> Path:
    written = tmp_path_factory.mktemp("report")
    write_report(written, night, settings)
    return written
