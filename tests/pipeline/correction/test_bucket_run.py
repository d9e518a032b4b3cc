"""Past readings put right with LAKE and OUT in an object store: the bytes of a folder's, another machine goes on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from corrections import DAYS, A, B, contents, episode, stages_of
from lakes import put, rows
from s3_server import Server

from pipeline.core.errors import InputError, NightFailed
from pipeline.core.settings import load_settings
from pipeline.correction.outcome import CorrectionResult
from pipeline.correction.run import CorrectionRequest, correct_lake
from pipeline.storage.bucket_index import Index, turn
from pipeline.storage.object_store import Bucket
from pipeline.storage.object_url import ObjectUrl

RUN = f"runs/{DAYS[-1]}/0123456789ab"


@pytest.fixture
def bucket(s3: Server, lake: Path, out: Path) -> Bucket:
    """The lake below fleet/, and a run in out/ as far as a correction needs it."""
    s3.upload(lake, s3.bucket, "fleet")
    s3.upload(out / "runs" / str(DAYS[-1]), s3.bucket, f"out/{RUN}")
    bucket = Bucket(ObjectUrl(s3.bucket, "out"), load_settings().object_store)
    turn(bucket, Index(), lambda index: index.with_run(DAYS[-1], RUN))
    return bucket


@pytest.fixture
def correct_there(bucket: Bucket, s3: Server, tmp_path: Path) -> Callable[..., CorrectionResult]:
    def run(*episodes: dict[str, Any], machine: str = "one", sites: tuple[str, ...] = ()) -> CorrectionResult:
        settings = load_settings()
        cache = settings.object_store.model_copy(update={"cache": str(tmp_path / machine)})
        request = CorrectionRequest(Path(f"s3://{s3.bucket}/fleet"), Path(f"s3://{s3.bucket}/out"), sites)
        s3.asked.clear()
        return correct_lake(
            request, settings.model_copy(update={"object_store": cache}), stages_of(*episodes)
        )

    return run


def objects(s3: Server) -> dict[str, bytes]:
    return {
        name.removeprefix("/"): content for name, content in s3.objects(s3.bucket, "out/corrected").items()
    }


def days_fetched(s3: Server) -> set[str]:
    return {
        path.partition("date=")[2][:10]
        for method, path in s3.asked
        if method == "GET" and "fleet/intervals/date=" in path and "prefix=" not in path
    }


def puts(s3: Server) -> list[str]:
    names = [path.partition("?")[0] for method, path in s3.asked if method == "PUT"]
    return [name.partition("/out/")[2] for name in names if "/corrected/" in name]


def test_what_is_in_the_bucket_is_what_a_folder_would_have(
    correct: Callable[..., CorrectionResult],
    correct_there: Callable[..., CorrectionResult],
    out: Path,
    s3: Server,
) -> None:
    correct(A, B)
    result = correct_there(A, B)

    there, here = objects(s3), contents(out / "corrected")
    record = "correct.json"
    assert there.keys() == here.keys()
    changing = {record} | {
        name for name in here if name.startswith("date=")
    }  # a lake's files have tags there
    assert {name: there[name] for name in there.keys() - changing} == {
        name: here[name] for name in here.keys() - changing
    }
    assert result.address == f"s3://{s3.bucket}/out/corrected"
    assert puts(s3)[-1] == f"corrected/{record}"
    assert result.homes.equals(correct(A, B).homes)


def test_another_machine_goes_on_and_only_what_changed_is_read_and_sent(
    correct_there: Callable[..., CorrectionResult], lake: Path, s3: Server
) -> None:
    correct_there(A, B)
    before = objects(s3)
    same = correct_there(A, B, machine="two")
    assert (same.days_written, days_fetched(s3)) == (0, set())
    assert [name for name in puts(s3) if "date=" in name] == []
    assert objects(s3) == before

    put(lake, "later.parquet", rows("a", DAYS[2], l1_w=5.0).tail(2), DAYS[2], arrived_h=9)
    s3.upload(lake / "intervals" / f"date={DAYS[2]}", s3.bucket, f"fleet/intervals/date={DAYS[2]}")
    correct_there(A, B, machine="one")
    assert days_fetched(s3) == {str(DAYS[2])}

    gone = correct_there(B, machine="two")
    assert gone.days_removed == 2
    assert {name for name in objects(s3) if name.startswith("date=")} == {
        f"date={day}/corrected.parquet" for day in DAYS[1:3]
    }


def test_named_homes_leave_the_others_of_the_bucket(
    correct_there: Callable[..., CorrectionResult], s3: Server
) -> None:
    correct_there(A, B)
    result = correct_there(episode("c", DAYS[3]), machine="two", sites=("c",))
    assert result.episodes["site_id"].to_list() == ["a", "b", "c"]
    assert result.summary()["homes"] == 3


def test_trouble_ends_it_with_a_line_and_it_goes_on_afterwards(
    correct_there: Callable[..., CorrectionResult], s3: Server
) -> None:
    s3.goes_wrong("slow_down", "PUT", "correct.json", times=99)
    with pytest.raises(NightFailed, match=r"correct\.json"):
        correct_there(A, B)
    assert "correct.json" not in objects(s3)
    s3.troubles.clear()

    result = correct_there(A, B, machine="two")

    assert result.days_written == 0
    assert "correct.json" in objects(s3)


def test_nothing_published_is_said_with_the_address(s3: Server, lake: Path) -> None:
    with pytest.raises(InputError, match=f"s3://{s3.bucket}/none: no published run; run `nightclamp nightly"):
        correct_lake(CorrectionRequest(lake, Path(f"s3://{s3.bucket}/none")), load_settings(), stages_of())
