"""A whole night with LAKE and OUT in an object store: the same tables, the store kept, nothing half published."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from lakes import DAY, build_lake, put, rows
from s3_server import KEY, SECRET, Server

from pipeline.commands.home_story import read_home
from pipeline.core.errors import InputError, NightFailed
from pipeline.core.settings import load_settings
from pipeline.nightly import run as night
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import NightResult, run_night
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import save_model

SECOND, THIRD = DAY + timedelta(days=1), DAY + timedelta(days=2)


@pytest.fixture
def lake(tmp_path: Path, model: Model) -> Path:
    """Two homes over two days, the second with one file that can't be read and one that arrives as CSV."""
    root = build_lake(tmp_path / "lake")
    for day in (DAY, SECOND):
        put(root, "a.parquet", rows("a", day), day)
        put(root, "b.parquet", rows("b", day, l1_w=-250.0), day)
    put(root, "c.csv", rows("a", SECOND, l1_w=333.0).head(4), SECOND, arrived_h=1)
    put(root, "d.parquet", b"no parquet", SECOND, arrived_h=2)
    (root / "lake.toml").write_text('[sites]\narea = "area"\n')
    save_model(model, tmp_path / "model")
    return root


@pytest.fixture
def tonight(s3: Server, lake: Path, tmp_path: Path) -> Callable[..., NightResult]:
    """Run a night on the object store's lake and OUT, both below one bucket."""
    s3.upload(lake, s3.bucket, "fleet")

    def run(*, as_of=SECOND, machine: str = "one") -> NightResult:
        own = load_settings()
        cache = own.object_store.model_copy(update={"cache": str(tmp_path / machine)})
        request = NightRequest(
            Path(f"s3://{s3.bucket}/fleet"), Path(f"s3://{s3.bucket}/out"), as_of, model=tmp_path / "model"
        )
        s3.asked.clear()
        return run_night(request, own.model_copy(update={"object_store": cache}))

    return run


@pytest.fixture(scope="module")
def kept() -> dict[str, bytes]:
    return {}


@pytest.fixture
def first_night(kept: dict[str, bytes], tonight: Callable[..., NightResult], s3: Server) -> dict[str, bytes]:
    """What the night of the first day leaves in OUT; lived through once."""
    if not kept:
        tonight(as_of=DAY, machine="first")
        kept |= s3.objects(s3.bucket, "out")
    return kept


def index_of(s3: Server) -> dict:
    return json.loads(s3.objects(s3.bucket, "out/latest.json")[""])


def published(s3: Server) -> dict[str, bytes]:
    return s3.objects(s3.bucket, f"out/{index_of(s3)['run']}")


def days_read(s3: Server) -> set[str]:
    """The days whose interval files were fetched since the night began."""
    got = (path for method, path in s3.asked if method == "GET" and "list-type" not in path)
    return {path.partition("date=")[2][:10] for path in got if "/fleet/intervals/" in path}


def test_both_kinds_of_place_give_the_same_bytes(
    tonight: Callable[..., NightResult], s3: Server, first_night: dict[str, bytes], lake: Path, tmp_path: Path
) -> None:
    """All files but run.json (run id, seconds, digests of the lake's files), metrics and the database's random id."""
    s3.put_back(first_night, "out")
    tonight()
    for as_of in (DAY, SECOND):
        request = NightRequest(lake, tmp_path / "out", as_of, model=tmp_path / "model")
        ours = run_night(request, load_settings())
    local = {
        str(path.relative_to(ours.folder)): path.read_bytes()
        for path in ours.folder.rglob("*")
        if path.is_file()
    }
    far = published(s3)

    assert sorted(far) == sorted(local)
    differing = {name for name in local if local[name] != far[name]}
    assert {"site_scores.parquet", "revisit_list.csv", "rejects.parquet", "report/index.html"} <= set(local)
    assert differing <= {"run.json", "metrics.prom", "nightclamp.duckdb"}
    told, told_far = json.loads(local["run.json"]), json.loads(far["run.json"])
    for one in (told, told_far):
        one.pop("seconds")
        one.pop("run_id")
        for name in ("nightclamp.duckdb", "metrics.prom"):
            assert one["files"].pop(name)["bytes"]
        for day in one["days"].values():
            day.pop("files_digest")
    assert told == told_far
    assert told["previous_run"] == str(DAY)
    assert index_of(s3)["latest"] == str(SECOND)
    assert sorted(index_of(s3)["runs"]) == [str(DAY), str(SECOND)]


def test_another_machine_goes_on_with_the_store_of_the_first(
    tonight: Callable[..., NightResult], s3: Server, lake: Path
) -> None:
    assert tonight().fresh_days == 2
    assert days_read(s3) == {str(DAY), str(SECOND)}
    again = tonight(machine="two")
    assert again.fresh_days == 0
    assert days_read(s3) == set()
    put(lake, "e.parquet", rows("b", DAY, l1_w=-99.0), DAY, arrived_h=9)
    s3.upload(lake / "intervals" / f"date={DAY}", s3.bucket, f"fleet/intervals/date={DAY}")
    late = tonight(machine="one")
    assert days_read(s3) == {str(DAY)}
    assert late.counts["rows_duplicate"] == 96 + 4
    stored = [name for name in s3.objects(s3.bucket, "out/store") if str(DAY) in name]
    assert len(stored) == 5  # cut, counts, three tables: what was replaced is removed


def test_a_day_that_is_replaced_while_it_is_read_is_read_again(
    tonight: Callable[..., NightResult],
    s3: Server,
    lake: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("NIGHTCLAMP_ENGINE__WORKERS", "1")  # one day at a time
    put(lake, "b.parquet", rows("b", SECOND, l1_w=400.0).head(50), SECOND, arrived_h=1)
    new = (lake / "intervals" / f"date={SECOND}" / "b.parquet").read_bytes()
    key = f"fleet/intervals/date={SECOND}/b.parquet"

    held: list[set[str]] = []

    def replace_it() -> None:
        held.append({path.name for path in (tmp_path / "one").rglob("fetched-*")})
        s3.client().put_object(Bucket=s3.bucket, Key=key, Body=new)

    s3.goes_wrong("wait", "GET", f"date={SECOND}/b.parquet", meet=replace_it)
    result = tonight()

    assert result.counts["rows_in"] == 2 * 96 + 96 + 50 + 4
    assert held == [
        {"fetched-00000.parquet", "fetched-00001.parquet"}
    ]  # this day's, and none of the day before
    assert not list((tmp_path / "one").rglob("fetched-*"))


@pytest.mark.parametrize(
    ("kind", "method", "part"),
    [
        ("slow_down", "GET", "/fleet/intervals/"),
        ("slow_down", "PUT", "/out/runs/"),
    ],
)
def test_a_night_that_is_throttled_out_leaves_latest_as_it_was(
    tonight: Callable[..., NightResult],
    s3: Server,
    first_night: dict[str, bytes],
    kind: str,
    method: str,
    part: str,
) -> None:
    s3.put_back(first_night, "out")
    before, index = published(s3), index_of(s3)
    s3.goes_wrong(kind, method, part, 9999)

    with pytest.raises(NightFailed, match="4 tries") as failed:
        tonight()

    assert "\n" not in str(failed.value)
    assert index_of(s3) == index
    assert published(s3) == before


def test_a_night_that_is_throttled_for_a_while_is_an_ordinary_night(
    tonight: Callable[..., NightResult], s3: Server
) -> None:
    """Also where an answer to the final turn, or to the lock, is lost: what was done is then known as ours."""
    for method, part in (
        ("GET", "/fleet/sites.csv"), ("GET", "/fleet/intervals/"), ("GET", "list-type"), ("PUT", "/out/night.lock"),
        ("PUT", "/out/store/"), ("PUT", "/run.json"), ("PUT", "/out/latest.json"),
    ):  # fmt: skip
        for kind in ("slow_down", "reset", "answer_lost"):
            s3.goes_wrong(kind, method, part)
    tonight()
    assert index_of(s3)["latest"] == str(SECOND)
    assert "run.json" in published(s3)
    assert [trouble.met for trouble in s3.troubles] == [1] * 21


def test_readers_follow_the_index(tonight: Callable[..., NightResult], s3: Server, tmp_path: Path) -> None:
    out = Path(f"s3://{s3.bucket}/out")
    with pytest.raises(
        InputError, match=f"s3://{s3.bucket}/out: no published run; run `nightclamp nightly LAKE"
    ):
        read_home("a", out, load_settings())
    tonight()
    assert "a" in read_home("a", out, load_settings(), model_folder=tmp_path / "model").text()
    with pytest.raises(InputError, match=f"zz: not a home of the run in s3://{s3.bucket}/out"):
        read_home("zz", out, load_settings(), model_folder=tmp_path / "model")


def test_no_key_gets_into_any_file_or_line(
    tonight: Callable[..., NightResult],
    s3: Server,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level("DEBUG")
    tonight()
    s3.goes_wrong("refused", "PUT", "/out/runs/", 9)
    with pytest.raises(InputError) as refused:
        tonight()
    assert "Traceback" not in str(refused.value)
    s3.troubles.clear()
    said = [str(refused.value), repr(refused.value), *capsys.readouterr(), caplog.text]
    held = [*s3.objects(s3.bucket).values()]
    held += [path.read_bytes() for path in (tmp_path / "one").rglob("*") if path.is_file()]
    assert len(held) > 50
    for secret in (KEY, SECRET, SECRET.replace("/", "%2F")):
        assert not [text for text in said if secret in text]
        assert not [content for content in held if secret.encode() in content]


def test_a_night_killed_between_steps_leaves_latest_as_it_was(
    tonight: Callable[..., NightResult],
    s3: Server,
    first_night: dict[str, bytes],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    s3.put_back(first_night, "out")
    index = index_of(s3)

    def killed(*args: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(night, "draw_report", killed)
        with pytest.raises(KeyboardInterrupt):
            tonight()
    assert index_of(s3) == index
    assert tonight(machine="two").fresh_days == 0  # the day that was read is kept all the same
