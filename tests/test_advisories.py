"""What CI says of known holes in dependencies: it fails on one, and says so where nothing could be checked."""

from __future__ import annotations

import json
import runpy
from pathlib import Path
from typing import Any

import pytest

TOLD = runpy.run_path(str(Path(__file__).parent.parent / ".ci" / "advisories.py"))["told"]
SOUND = {"name": "alpha", "version": "1.0", "vulns": []}
HOLE = {"name": "beta", "version": "2.0", "vulns": [{"id": "PYSEC-2020-1", "fix_versions": ["2.1"]}]}
SKIPPED = {"name": "gamma", "skip_reason": "not found"}


@pytest.mark.parametrize(
    ("dependencies", "line", "status"),
    [
        pytest.param(
            [SOUND, SKIPPED], "advisories: none known of 1 packages, 1 not checked", 0, id="none known"
        ),
        pytest.param([SKIPPED], "advisories: not checked, no advisory list reachable", 0, id="no list"),
        pytest.param(
            [SOUND, HOLE], "advisories: 1 known: beta 2.0: PYSEC-2020-1 (fixed in 2.1)", 1, id="a known hole"
        ),
    ],
)
def test_only_a_known_hole_fails(dependencies: list[dict[str, Any]], line: str, status: int) -> None:
    assert TOLD(json.dumps({"dependencies": dependencies, "fixes": []})) == (line, status)


@pytest.mark.parametrize("report", ["", "Traceback (most recent call last)", "[]", "{}"])
def test_no_answer_is_said_to_be_none(report: str) -> None:
    assert TOLD(report) == ("advisories: not checked, no advisory list reachable", 0)
