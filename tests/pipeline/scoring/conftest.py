"""A folder of the shipped model; and small fits are quickest alone: their threads only wait beside a second test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from threadpoolctl import threadpool_limits

from pipeline.scoring.model import Model
from pipeline.scoring.model_file import save_model


@pytest.fixture(autouse=True)
def alone() -> Iterator[None]:
    with threadpool_limits(1):
        yield


@pytest.fixture
def folder(model: Model, tmp_path: Path) -> Path:
    """The shipped model, in a folder that may be changed."""
    save_model(model, tmp_path)
    return tmp_path
