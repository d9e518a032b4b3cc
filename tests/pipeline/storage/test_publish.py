"""A night is published whole or not at all, and twice the same night is the same."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import duckdb
import pytest
from lakes import DAY, build_lake, put, rows
from published_runs import folder_bytes, kept, run_of

from pipeline.core.errors import NightFailed
from pipeline.core.settings import load_settings
from pipeline.nightly import run as night
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import save_model
from pipeline.storage import publish

SECOND = DAY + timedelta(days=1)


@pytest.fixture
def request_of(tmp_path: Path, model: Model) -> NightRequest:
    """A night over two homes and two days."""
    root = build_lake(tmp_path / "lake")
    for day in (DAY, SECOND):
        put(root, "a.parquet", rows("a", day), day)
        put(root, "b.parquet", rows("b", day, l1_w=-250.0), day)
    save_model(model, tmp_path / "model")
    return NightRequest(root, tmp_path / "out", model=tmp_path / "model")


def test_latest_points_at_the_run_of_its_day(tmp_path: Path) -> None:
    where = run_of(tmp_path, DAY, "first")

    assert where == tmp_path / "runs" / str(DAY)
    assert os.readlink(tmp_path / "latest") == f"runs/{DAY}"
    assert (tmp_path / "latest" / "run.json").read_text() == "first"

    run_of(tmp_path, SECOND, "second")
    assert (tmp_path / "latest" / "run.json").read_text() == "second"
    assert (where / "run.json").read_text() == "first"


def test_a_day_published_again_replaces_its_run_and_keeps_the_one_before_for_its_readers(
    tmp_path: Path,
) -> None:
    run_of(tmp_path, DAY, "first")
    run_of(tmp_path, SECOND, "other day")
    run_of(tmp_path, DAY, "again")

    assert (tmp_path / "runs" / str(DAY) / "run.json").read_text() == "again"
    assert os.readlink(tmp_path / "latest") == f"runs/{DAY}"
    assert kept(tmp_path) == ["again", "first", "other day"]
    run_of(tmp_path, DAY, "a third time")
    assert kept(tmp_path) == ["a third time", "again", "other day"]
    run_of(tmp_path, DAY, "a third time")
    assert kept(tmp_path) == ["a third time", "other day"]


def test_latest_stays_where_it_is_unless_it_is_to_be_turned(tmp_path: Path) -> None:
    assert publish.latest_day(tmp_path) is None
    run_of(tmp_path, SECOND, "second")
    built = publish.building_folder(tmp_path, DAY)
    (built / "run.json").write_text("first")

    place = publish.publish(built, tmp_path, DAY, turn_latest=False)

    assert (place / "run.json").read_text() == "first"
    assert publish.latest_day(tmp_path) == SECOND
    (tmp_path / "latest" / "run.json").unlink()
    assert publish.latest_day(tmp_path) is None


@pytest.mark.parametrize("killed_at", range(3))
def test_a_night_killed_while_it_publishes_leaves_latest_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, killed_at: int
) -> None:
    """Killed before the folder is moved, before the day's link turns, before `latest` turns."""
    run_of(tmp_path, DAY, "first")
    built = publish.building_folder(tmp_path, DAY)
    (built / "run.json").write_text("again")
    steps: list[str] = []

    def counted(function):
        def step(*args):
            if len(steps) == killed_at:
                raise KeyboardInterrupt
            steps.append(function.__name__)
            return function(*args)

        return step

    with monkeypatch.context() as patched:
        patched.setattr(publish.Path, "rename", counted(Path.rename))
        patched.setattr(publish.os, "replace", counted(os.replace))
        with pytest.raises(KeyboardInterrupt):
            publish.publish(built, tmp_path, DAY)

    assert len(steps) == killed_at
    assert (tmp_path / "latest" / "run.json").read_text() == ("first" if killed_at < 2 else "again")
    run_of(tmp_path, DAY, "third")
    assert (tmp_path / "latest" / "run.json").read_text() == "third"
    assert [path.name for path in (tmp_path / "runs").iterdir() if path.name.startswith(".building")] == []
    assert len(kept(tmp_path)) == 2
    run_of(tmp_path, DAY, "third")
    assert kept(tmp_path) == ["third"]


def test_what_a_killed_night_left_is_removed(tmp_path: Path) -> None:
    left = publish.building_folder(tmp_path, DAY)
    (left / "half").write_text("half")

    assert list(publish.building_folder(tmp_path, SECOND).iterdir()) == []
    assert not left.exists()


def test_a_second_night_is_refused_while_one_is_at_work(tmp_path: Path) -> None:
    with (
        publish.only_night(tmp_path),
        pytest.raises(NightFailed, match="another night is at work here"),
        publish.only_night(tmp_path),
    ):
        pass
    with publish.only_night(tmp_path):
        pass


def test_a_folder_that_cannot_be_made_is_said_in_one_line(request_of: NightRequest, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    out = tmp_path / "file" / "out"

    with pytest.raises(NightFailed) as told:
        run_night(replace(request_of, out=out), load_settings())
    assert str(told.value) == f"{out}: Not a directory; nothing was published"


def test_the_same_night_twice_is_the_same(request_of: NightRequest, tmp_path: Path) -> None:
    """All bytes but seconds and run id, in run.json and the metrics, and the database's random identifier."""
    settings = load_settings()
    first = run_night(request_of, settings).folder
    again = NightRequest(request_of.lake, tmp_path / "other", model=request_of.model)
    second = run_night(again, settings).folder

    one, other = folder_bytes(first), folder_bytes(second)
    assert list(one) == list(other)
    assert {"site_scores.parquet", "revisit_list.csv", "report/index.html", "rejects.parquet"} <= set(one)
    differing = {name for name in one if one[name] != other[name]}
    assert differing <= {"run.json", "metrics.prom", "nightclamp.duckdb"}
    told, told_again = (json.loads(run["run.json"]) for run in (one, other))
    for record in (told, told_again):
        record.pop("seconds")
        record.pop("run_id")
        record.pop("freshness")  # its hours are those of the night
        for name in ("nightclamp.duckdb", "metrics.prom"):
            del record["files"][name]
    assert told == told_again
    bases = [duckdb.connect(str(folder / "nightclamp.duckdb"), read_only=True) for folder in (first, second)]
    names = [name for (name,) in bases[0].sql("SHOW TABLES").fetchall()]
    assert names == [name for (name,) in bases[1].sql("SHOW TABLES").fetchall()]
    for name in names:
        assert bases[0].table(name).pl().equals(bases[1].table(name).pl()), name
    for base in bases:
        base.close()


@pytest.mark.parametrize(
    "step",
    [
        "run.read_meters",
        "run.look_at_window",
        "run.score_homes",
        "build_tables.make_lists",
        "run.write_run",
        "run.draw_report",
        "run_record.write_run_json",
    ],
)
def test_a_night_killed_between_steps_leaves_latest_as_it_was(
    request_of: NightRequest, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    settings = load_settings()
    run_of(request_of.out, DAY, "the night before")
    before = folder_bytes(request_of.out / "latest")

    def killed(*args: object, **options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(f"pipeline.nightly.{step}", killed)
    with pytest.raises(KeyboardInterrupt):
        run_night(request_of, settings)

    assert folder_bytes(request_of.out / "latest") == before
    assert [path.name for path in (request_of.out / "runs").iterdir() if path.name == str(SECOND)] == []
    assert not (request_of.out / "store" / ".work").exists()


def test_after_a_killed_night_the_next_one_publishes(
    request_of: NightRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*args: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(night, "draw_report", killed)
        with pytest.raises(KeyboardInterrupt):
            run_night(request_of, load_settings())

    result = run_night(request_of, load_settings())

    assert result.fresh_days == 0
    assert (request_of.out / "latest").resolve() == result.folder.resolve()
    assert not list((request_of.out / "runs").glob(".building-*"))
