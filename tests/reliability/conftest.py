"""Nights here are stopped anywhere, so they have the threads that the settings shipped give them."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def shipped_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NIGHTCLAMP_ENGINE__WORKERS")
