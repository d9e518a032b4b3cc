"""What a command took is its own: not what whoever started it holds."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from pipeline.evaluation.process_usage import measure_command


def test_a_small_command_is_small_whoever_starts_it(tmp_path: Path) -> None:
    big = np.ones(40_000_000)  # 320 MB, here

    took = measure_command([sys.executable, "-c", "print('done'); raise SystemExit(3)"], tmp_path / "log")

    assert big.nbytes > 300e6
    assert took.status == 3
    assert took.peak_mb < 100
    assert 0 < took.cpu_s < took.clock_s + 1
    assert (tmp_path / "log").read_text() == "done\n"


def test_what_a_command_holds_counts(tmp_path: Path) -> None:
    took = measure_command([sys.executable, "-c", "held = b'x' * 300_000_000"], tmp_path / "log")

    assert took.peak_mb > 200
