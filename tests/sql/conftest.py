"""The one world that the tests of sql/ share."""

from __future__ import annotations

import pytest
from sql_tables import World


@pytest.fixture(scope="session")
def world(tmp_path_factory: pytest.TempPathFactory) -> World:
    return World(tmp_path_factory.mktemp("world"))
