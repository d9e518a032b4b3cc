"""Past nights are made in order and once; stories, predictions and crews' months begin with them."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from lakes import DAY, VISITS, build_lake, put, rows
from s3_server import Server

from pipeline.core.errors import InputError, NightFailed
from pipeline.core.settings import Settings, load_settings
from pipeline.nightly import backfill as module
from pipeline.nightly.backfill import BackfillRequest, BackfillResult, PastNight, backfill
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import save_model
from pipeline.storage.retention import published_days

SETTINGS = load_settings()


def on(day: int) -> date:
    return DAY + timedelta(days=day)


@pytest.fixture
def request_of(tmp_path: Path, model: Model) -> BackfillRequest:
    """Six days of two homes, the fourth without a file; home b was visited on the fifth."""
    root = build_lake(tmp_path / "lake", visits=f"{VISITS}v1,b,{on(4)},c1,dead,l1,true,\n")
    for number in (0, 1, 2, 4, 5):
        put(
            root,
            "all.parquet",
            pl.concat([rows("a", on(number)), rows("b", on(number), l1_w=0.0)]),
            on(number),
        )
    save_model(model, tmp_path / "model")
    return BackfillRequest(root, tmp_path / "out", on(1), model=tmp_path / "model")


@pytest.fixture
def made(request_of: BackfillRequest) -> Callable[..., BackfillResult]:
    def run(settings: Settings = SETTINGS, **changes) -> BackfillResult:
        return backfill(replace(request_of, **changes), settings)

    return run


def nights(result: BackfillResult) -> list[date]:
    return [night.result.as_of for night in result.nights]


def table(out: Path, name: str) -> pl.DataFrame:
    return pl.read_parquet(out / "latest" / f"{name}.parquet")


def test_a_night_a_day_in_order_each_made_from_the_one_before(
    made: Callable[..., BackfillResult], tmp_path: Path
) -> None:
    result = made()
    out = tmp_path / "out"

    assert nights(result) == [on(1), on(2), on(4), on(5)]
    assert (result.days_read, result.plan.no_data, result.plan.later) == (5, (on(3),), ())
    assert all(night.result.fresh_days == 0 for night in result.nights)
    assert published_days(out) == nights(result)
    assert os.readlink(out / "latest") == f"runs/{on(5)}"
    runs = [json.loads((out / "runs" / str(day) / "run.json").read_text()) for day in nights(result)]
    assert [run["previous_run"] for run in runs] == [None, *map(str, nights(result)[:-1])]
    assert table(out, "night_count")["as_of"].to_list() == nights(result)
    # what the nights before the visit said of the home is held against what was found
    promise = table(out, "promise").row(0, named=True)
    assert (promise["visit_id"], promise["month"]) == ("v1", on(4).strftime("%Y-%m"))
    assert promise["scored_on"] == on(2)

    again = made()
    assert (nights(again), again.plan.done, again.days_read) == ([], tuple(nights(result)), 0)


def test_stopped_it_goes_on_where_it_was_and_leaves_what_an_unbroken_one_does(
    request_of: BackfillRequest, made: Callable[..., BackfillResult], tmp_path: Path
) -> None:
    def stop(night: PastNight) -> None:
        if night.number == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        backfill(request_of, SETTINGS, night_done=stop)
    rest = made()
    assert nights(rest) == [on(4), on(5)]

    made(out=tmp_path / "unbroken")
    for name in ("home_story", "standing", "promise", "promise_book", "night_count", "crew_quality"):
        assert table(tmp_path / "out", name).equals(table(tmp_path / "unbroken", name)), name


def test_the_intake_goes_on_after_the_days_it_has(
    request_of: BackfillRequest, made: Callable[..., BackfillResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[date] = []

    def kill(line: str) -> None:
        read.append(line)
        if len(read) == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        backfill(request_of, SETTINGS, tell=kill)
    assert made().days_read < 5


def test_a_night_that_fails_is_named_and_those_before_it_stay(
    request_of: BackfillRequest, made: Callable[..., BackfillResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(request: NightRequest, settings: Settings):
        if request.as_of == on(4):
            raise NightFailed("the disk is full; nothing was published")
        return run_night(request, settings)

    monkeypatch.setattr(module, "run_night", fail)
    with pytest.raises(NightFailed) as failed:
        made()
    assert str(failed.value) == (
        f"night of {on(4)}: the disk is full; nothing was published; 2 of 4 nights are published, and the same"
        " command goes on from here"
    )
    monkeypatch.undo()
    assert nights(made()) == [on(4), on(5)]


def test_nights_that_were_thinned_out_are_not_made_twice_and_their_stories_stay(
    made: Callable[..., BackfillResult], tmp_path: Path
) -> None:
    kept = SETTINGS.retention.model_copy(update={"daily_days": 1, "weekly_days": 1})
    short = SETTINGS.model_copy(update={"retention": kept})
    first = made(short, to_on=on(4))
    out = tmp_path / "out"
    assert first.removed.runs == (on(1),)
    assert published_days(out) == [on(2), on(4)]

    rest = made(short)
    assert nights(rest) == [on(5)]
    assert published_days(out) == [on(4), on(5)]
    assert table(out, "night_count")["as_of"].to_list() == [on(1), on(2), on(4), on(5)]
    made(out=tmp_path / "whole")
    assert table(out, "home_story").equals(table(tmp_path / "whole", "home_story"))
    # made again, it begins where a run is kept to go on from
    assert nights(made(short, from_on=on(5), again=True)) == [on(5)]
    assert nights(made(short, from_on=on(4), again=True)) == [on(1), on(2), on(4), on(5)]
    assert table(out, "home_story").equals(table(tmp_path / "whole", "home_story"))


def test_later_nights_that_do_not_know_of_it_are_named(
    request_of: BackfillRequest, made: Callable[..., BackfillResult], tmp_path: Path
) -> None:
    run_night(NightRequest(request_of.lake, request_of.out, on(5), model=request_of.model), SETTINGS)
    result = made()

    assert nights(result) == [on(1), on(2), on(4)]
    assert result.plan.later == (on(5),)
    assert table(tmp_path / "out", "night_count")["as_of"].to_list()[-1] in (on(4), on(5))
    again = made(from_on=on(5), again=True)
    assert (nights(again), again.plan.later) == ([on(5)], ())
    assert table(tmp_path / "out", "night_count")["as_of"].to_list() == [on(1), on(2), on(4), on(5)]


def test_into_an_object_store_it_goes_on_there_too(
    request_of: BackfillRequest, made: Callable[..., BackfillResult], s3: Server, tmp_path: Path
) -> None:
    out = Path(f"s3://{s3.bucket}/out")
    assert nights(made(out=out, to_on=on(1))) == [on(1)]
    rest = made(out=out, to_on=on(2))

    assert (nights(rest), rest.plan.done, rest.days_read) == ([on(2)], (on(1),), 1)
    index = json.loads(s3.objects(s3.bucket, "out")["latest.json"])
    assert (index["latest"], list(index["runs"])) == (str(on(2)), [str(on(1)), str(on(2))])


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"from_on": on(5), "to_on": on(4)}, "--from 2025-06-06: lies after --to 2025-06-05"),
        ({"to_on": on(9)}, "--to 2025-06-10: the lake's newest day that is over is 2025-06-06"),
        (
            {"from_on": on(3), "to_on": on(3)},
            "no data up to 2025-06-04; the lake has 2025-06-01 to 2025-06-06",
        ),
        ({"window_days": 0}, "--window-days 0: choose 1 to"),
    ],
)
def test_days_that_can_not_be_are_refused(made: Callable[..., BackfillResult], changes, says: str) -> None:
    with pytest.raises(InputError, match=says):
        made(**changes)
