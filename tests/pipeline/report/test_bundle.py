"""The chart libraries' script is built once and then taken from its folder, if it is still what it was."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.report import bundle
from pipeline.report.bundle import chart_script


def never() -> bytes:
    raise AssertionError("script again")


def test_a_kept_script_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    script = chart_script(tmp_path)
    monkeypatch.setattr(bundle, "_build_script", never)

    assert chart_script(tmp_path) == script
    assert b"vegaEmbed" in script


def test_a_kept_script_that_was_changed_is_built_again(tmp_path: Path) -> None:
    script = chart_script(tmp_path)
    (path,) = tmp_path.iterdir()
    path.write_bytes(script[: len(script) // 2])

    assert chart_script(tmp_path) == script
    assert path.read_bytes() == script


def test_the_script_of_other_libraries_is_not_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    chart_script(tmp_path)
    monkeypatch.setattr(bundle, "version", lambda name: "0.0")
    monkeypatch.setattr(bundle, "_build_script", lambda: b"newer")

    assert chart_script(tmp_path) == b"newer"
    assert len(list(tmp_path.iterdir())) == 2
