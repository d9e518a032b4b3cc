"""Small fits of trees are quickest alone: threads of their own only wait for each other beside a second test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from threadpoolctl import threadpool_limits


@pytest.fixture(autouse=True)
def alone() -> Iterator[None]:
    with threadpool_limits(1):
        yield
