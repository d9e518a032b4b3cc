"""The chart libraries' script is made once and then taken from where it was kept, if it is still what it was."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.report import bundle
from pipeline.report.bundle import chart_script


def never() -> bytes:
    raise AssertionError("made again")


def test_a_kept_script_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = chart_script(tmp_path)
    monkeypatch.setattr(bundle, "_made", never)

    assert chart_script(tmp_path) == made
    assert b"vegaEmbed" in made


def test_a_kept_script_that_was_changed_is_made_again(tmp_path: Path) -> None:
    made = chart_script(tmp_path)
    (kept,) = tmp_path.iterdir()
    kept.write_bytes(made[: len(made) // 2])

    assert chart_script(tmp_path) == made
    assert kept.read_bytes() == made


def test_the_script_of_other_libraries_is_not_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    chart_script(tmp_path)
    monkeypatch.setattr(bundle, "version", lambda name: "0.0")
    monkeypatch.setattr(bundle, "_made", lambda: b"newer")

    assert chart_script(tmp_path) == b"newer"
    assert len(list(tmp_path.iterdir())) == 2
