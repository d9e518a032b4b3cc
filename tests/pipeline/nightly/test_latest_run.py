"""OUT/latest doesn't go back in silence: a night of an earlier day is published, and says where latest leads."""

from __future__ import annotations

import json
import os
import shutil
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from lakes import DAY, build_lake, put, rows

from pipeline.commands import cli
from pipeline.core.alarm import ALARM, EXIT_STATUS
from pipeline.core.settings import Settings, load_settings
from pipeline.nightly import run as night
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import NightResult, run_night
from pipeline.storage.publish import latest_day

DAYS = [DAY + timedelta(days=at) for at in range(3)]
SETTINGS = load_settings()


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    for day in DAYS:
        put(root, "part.parquet", pl.concat([rows("a", day), rows("b", day)]), day)
    return root


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"


def publish(
    lake: Path, out: Path, as_of: date | None = None, settings: Settings = SETTINGS, **asked: bool
) -> NightResult:
    """A night without its pages."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night, "draw_report", lambda *given: None)
        return run_night(NightRequest(lake, out, as_of, **asked), settings)


def told(result: NightResult, code: str) -> list[tuple[str, str]]:
    return result.alarm.filter(pl.col("code") == code).select("severity", "told").rows()


def run_of(result: NightResult) -> dict[str, Any]:
    run: dict[str, Any] = json.loads((result.folder / "run.json").read_text(encoding="utf-8"))
    return run


def test_an_earlier_day_is_published_and_latest_stays(lake: Path, out: Path) -> None:
    assert publish(lake, out).is_latest

    earlier = publish(lake, out, DAYS[1])

    assert os.readlink(out / "latest") == f"runs/{DAYS[2]}"
    assert (out / "runs" / str(DAYS[1]) / "run.json").is_file()
    assert (earlier.is_latest, run_of(earlier)["turned_latest"]) == (False, False)
    assert told(earlier, "latest") == [("note", f"published in runs/{DAYS[1]}; latest stays at {DAYS[2]}")]


def test_make_latest_turns_it_back_and_says_so_and_the_next_night_turns_it_on(lake: Path, out: Path) -> None:
    publish(lake, out)

    back = publish(lake, out, DAYS[1], make_latest=True)

    assert latest_day(out) == DAYS[1]
    assert run_of(back)["turned_latest"]
    assert told(back, "latest") == [
        ("note", f"published in runs/{DAYS[1]}; latest goes back from {DAYS[2]} to {DAYS[1]}, as asked")
    ]
    again = publish(lake, out)
    assert (latest_day(out), told(again, "latest")) == (DAYS[2], [])


def test_the_same_day_again_and_a_first_night_turn_latest_and_say_nothing(lake: Path, out: Path) -> None:
    first, again = publish(lake, out, DAYS[1]), publish(lake, out, DAYS[1])

    assert [told(result, "latest") for result in (first, again)] == [[], []]
    assert latest_day(out) == DAYS[1]


def test_a_lake_whose_newest_day_went_missing_alarms_and_leaves_latest(lake: Path, out: Path) -> None:
    publish(lake, out)
    shutil.rmtree(lake / "intervals" / f"date={DAYS[2]}")

    result = publish(lake, out)

    assert (result.as_of, latest_day(out)) == (DAYS[1], DAYS[2])
    assert told(result, "newest_day_gone") == [
        (
            ALARM,
            f"the lake's newest day is {DAYS[1]}, but a night of {DAYS[2]} is published: days since then are no"
            f" longer in the lake; latest stays at {DAYS[2]}",
        )
    ]
    assert [line["code"] for line in run_of(result)["alarms"]] == ["newest_day_gone"]


def test_a_day_that_was_asked_for_is_no_alarm(lake: Path, out: Path) -> None:
    publish(lake, out)

    assert publish(lake, out, DAYS[1]).alarm.filter(pl.col("severity") == ALARM).is_empty()


def test_an_earlier_night_neither_corrects_nor_trains(
    lake: Path, out: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked: list[str] = []
    monkeypatch.setattr(night, "draw_report", lambda *given: None)
    monkeypatch.setattr(
        night, "correct_readings", lambda *given, alarm, **more: (asked.append("correct"), alarm)[1]
    )
    monkeypatch.setattr(
        "pipeline.learning.train_due.train_if_due", lambda *given, **more: asked.append("train")
    )
    monkeypatch.setenv("NIGHTCLAMP_CORRECTION__IN_NIGHT", "true")

    for as_of in (DAYS[2], DAYS[1]):
        with pytest.raises(SystemExit):
            cli.main(["nightly", str(lake), "--out", str(out), "--as-of", str(as_of)])

    assert asked == ["correct", "train"]
    assert "latest stays at 2025-06-03, and past readings as they are" in capsys.readouterr().out


def test_a_home_that_left_the_register_is_explained_by_what_its_story_says(
    lake: Path, out: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with (lake / "visits.csv").open("a") as register:
        register.write(f"v1,b,{DAYS[0]},c1,sound,,false,\n")
    publish(lake, out, DAYS[1])
    sites = lake / "sites.csv"
    sites.write_text("".join(row for row in sites.read_text().splitlines(keepends=True) if row[:2] != "b,"))
    publish(lake, out)

    with pytest.raises(SystemExit) as left:
        cli.main(["explain", "b", "--out", str(out)])

    assert left.value.code == 2
    assert f"{DAYS[2]}: taken back: the register of homes has no usable row" in capsys.readouterr().err


def test_the_command_says_where_latest_leads(
    lake: Path, out: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(night, "draw_report", lambda *given: None)

    def run(*words: str) -> tuple[int, str]:
        with pytest.raises(SystemExit) as left:
            cli.main(["nightly", str(lake), "--out", str(out), *words])
        assert isinstance(left.value.code, int)
        return left.value.code, capsys.readouterr().out

    assert run()[0] == 0
    status, said = run("--as-of", str(DAYS[1]))
    assert status == 0
    assert f"note: published in runs/{DAYS[1]}; latest stays at {DAYS[2]} (see" in said
    assert json.loads(run("--as-of", str(DAYS[1]), "--json")[1])["is_latest"] is False
    assert json.loads(run("--as-of", str(DAYS[1]), "--make-latest", "--json")[1])["is_latest"] is True
    run()
    shutil.rmtree(lake / "intervals" / f"date={DAYS[2]}")
    assert run()[0] == EXIT_STATUS
