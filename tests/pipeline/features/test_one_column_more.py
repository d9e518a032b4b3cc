"""A column of the intervals is a few named places: contract, check, kernel, oracle, feature; here a copy has one.

annex/frequency.py lists every edit.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from lakes import build_lake, put, rows

from pipeline.core.contract import MEASURES
from pipeline.features.kernels.rows import Channels

ROOT = Path(__file__).parents[3]
ANNEX = Path(__file__).parent / "annex"
sys.path.append(str(ANNEX))
from frequency import EDITS  # noqa: E402


@pytest.fixture(scope="module")
def answer(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What a copy of the project makes of a home at 60.02 Hz, of which one row lies out of range."""
    root = tmp_path_factory.mktemp("project")
    for folder in ("pipeline", "sql", "tests/oracle"):
        shutil.copytree(ROOT / folder, root / folder, ignore=shutil.ignore_patterns("__pycache__"))
    for name, old, new in EDITS:
        text = (root / name).read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{name}: {old!r}"
        (root / name).write_text(text.replace(old, new), encoding="utf-8")
    number = pl.int_range(pl.len())
    day = rows("a").with_columns(frequency_hz=pl.when(number == 5).then(600.0).otherwise(60.02))
    put(build_lake(root / "lake"), "a.parquet", day)
    told = subprocess.run(
        [sys.executable, str(ANNEX / "live_with_it.py"), str(root)],
        env={"PYTHONPATH": f"{root}:{root / 'tests/oracle'}", "PATH": ""},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.returncode == 0, told.stderr[-3000:]
    return dict(json.loads(told.stdout))


@pytest.mark.heavy
def test_the_kernel_and_the_oracle_know_it(answer: dict[str, Any]) -> None:
    assert answer["kernel"] == pytest.approx([95 * 60.02], rel=1e-12)
    assert answer["oracle"] == pytest.approx(answer["kernel"], rel=1e-12)


@pytest.mark.heavy
def test_the_window_makes_a_feature_of_it(answer: dict[str, Any]) -> None:
    assert answer["feature"] == pytest.approx([60.02], rel=1e-12)


@pytest.mark.heavy
def test_a_row_out_of_range_is_refused_and_shown(answer: dict[str, Any]) -> None:
    ((reason, row),) = answer["refused"]
    assert reason == "frequency_hz is out of range"
    assert json.loads(row)["frequency_hz"] == "600.0"


def test_the_kernels_take_each_measure_of_the_contract_by_its_name() -> None:
    assert set(Channels._fields) == set(MEASURES)
