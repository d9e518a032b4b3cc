"""Which build made a night: the source's digest, which changes with what computes and with nothing else."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import __version__
from pipeline.core.build_identity import build_identity, source_digest

ROOT = Path(__file__).parents[3]


def identity_of(root: Path) -> str:
    told = subprocess.run(
        [sys.executable, "-c", "from pipeline.core.build_identity import build_identity as b; print(b())"],
        cwd=root, env={"PYTHONPATH": str(root)}, capture_output=True, check=True, text=True,
    )  # fmt: skip
    return told.stdout.strip()


def test_it_is_the_version_and_a_digest_of_the_source() -> None:
    assert build_identity() == f"{__version__} (source {source_digest()})"
    assert re.fullmatch(r"[0-9a-f]{12}", source_digest())


@pytest.mark.parametrize(
    ("name", "is_another"),
    [
        pytest.param("pipeline/scoring/verdict.py", True, id="code"),
        pytest.param("sql/crew_month.sql", True, id="a query"),
        pytest.param("pipeline/core/settings.toml", True, id="a shipped setting"),
        pytest.param("pipeline/report/static/report.css", True, id="how a page looks"),
        pytest.param("pipeline/scoring/shipped_model/weights.npz", True, id="the model"),
        pytest.param("pipeline/nightly/README.md", False, id="a document"),
        pytest.param("pipeline/core/__pycache__/left.pyc", False, id="what Python leaves"),
        pytest.param("pipeline/core/.clock.py.swp", False, id="what an editor leaves"),
    ],
)
def test_a_copy_is_the_same_build_until_its_source_changes(
    tmp_path: Path, name: str, is_another: bool
) -> None:
    for package in ("pipeline", "sql"):
        shutil.copytree(ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__"))
    assert identity_of(tmp_path) == build_identity()

    path = tmp_path / name
    path.parent.mkdir(exist_ok=True)
    with path.open("ab") as file:
        file.write(b"\n")

    assert (identity_of(tmp_path) != build_identity()) is is_another
