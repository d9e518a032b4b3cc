"""Past readings put right by the night: only where it is asked to, and a failure leaves the night published."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from corrections import episode, stages_of, write_index
from lakes import DAY, build_lake, put, rows

from pipeline.commands import cli
from pipeline.core.errors import NightFailed
from pipeline.core.settings import Settings, load_settings
from pipeline.core.steps import Step
from pipeline.correction.stages import Findings, PublishedNight, Stages
from pipeline.nightly import correct_step
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night

NEXT = DAY + timedelta(days=1)


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    for day in (DAY, NEXT):
        put(root, "part.parquet", pl.concat([rows("a", day), rows("b", day)]), day)
    return root


@pytest.fixture
def in_night() -> Settings:
    settings = load_settings()
    correction = settings.correction.model_copy(update={"in_night": True})
    return settings.model_copy(update={"correction": correction})


def test_a_night_leaves_past_readings_alone_unless_asked(lake: Path, tmp_path: Path) -> None:
    result = run_night(NightRequest(lake, tmp_path / "out"), load_settings())
    assert Step.CORRECT not in result.seconds
    assert not (tmp_path / "out" / "corrected").exists()


def test_a_night_puts_past_readings_right_once_it_is_published(
    lake: Path, tmp_path: Path, in_night: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[Path] = []

    def find(night: PublishedNight) -> Findings:
        seen.append((tmp_path / "out" / "latest").resolve())
        assert night.folder.resolve() == seen[-1]
        return stages_of(episode("a", DAY)).find(night)

    monkeypatch.setattr(correct_step, "shipped_stages", lambda: Stages(find, write_index))
    lines: list[str] = []

    result = run_night(NightRequest(lake, tmp_path / "out"), in_night, tell=lines.append)

    assert len(seen) == 1
    assert lines.index(Step.CORRECT) == lines.index(Step.PUBLISH) + 1
    files = sorted((tmp_path / "out" / "corrected").glob("date=*/corrected.parquet"))
    assert [pl.read_parquet(file).height for file in files] == [96, 96]
    assert result.seconds[Step.CORRECT] > 0
    assert result.alarm.filter(code="correction_failed").is_empty()


@pytest.mark.parametrize("error", [NightFailed("no: it broke"), OSError("no: it broke")])
def test_a_failure_is_an_alarm_beside_the_published_night(
    lake: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: Exception,
) -> None:
    def find(night: PublishedNight) -> Findings:
        raise error

    monkeypatch.setenv("NIGHTCLAMP_CORRECTION__IN_NIGHT", "true")
    monkeypatch.setattr(correct_step, "shipped_stages", lambda: Stages(find))

    with pytest.raises(SystemExit) as left:
        cli.main(["nightly", str(lake), "--out", str(tmp_path / "out")])

    assert left.value.code == 3
    told = capsys.readouterr().out
    assert "ALARM: past readings were not put right, those of earlier runs stay: " in told
    assert "no: it broke" in told
    published = tmp_path / "out" / "latest"
    assert (published / "run.json").is_file()
    assert pl.read_parquet(published / "alarm.parquet").filter(code="correction_failed").is_empty()
