"""The working copy of an OUT: what may be fetched, in which order a day is put back, what is dropped."""

from __future__ import annotations

import hashlib
import json
import time
from datetime import date
from pathlib import Path

import pytest
from s3_server import Server

from pipeline.core.errors import InputError, NightFailed
from pipeline.core.setting_sections import ObjectStoreSettings
from pipeline.core.settings import load_settings
from pipeline.storage import publish
from pipeline.storage.bucket_index import Index, turn
from pipeline.storage.bucket_lock import BucketLock
from pipeline.storage.bucket_out import BucketOut
from pipeline.storage.bucket_session import cache_folder, hold_bucket, read_bucket
from pipeline.storage.earlier_run import EarlierRun
from pipeline.storage.object_store import Bucket
from pipeline.storage.object_url import ObjectUrl

DAY, NEXT = date(2025, 6, 1), date(2025, 6, 2)
TABLES = ("intake", "reject", "site_day", "site_hour")


@pytest.fixture
def own() -> ObjectStoreSettings:
    return load_settings().object_store


@pytest.fixture
def url(s3: Server) -> ObjectUrl:
    return ObjectUrl(s3.bucket, "out")


def store_files(root: Path) -> set[str]:
    return {str(path.relative_to(root / "store")) for path in (root / "store").rglob("*") if path.is_file()}


def write_day(root: Path, day: date, digest: str) -> None:
    for table in TABLES:
        path = root / "store" / table / f"date={day}" / f"{table}-{digest}.parquet"
        path.parent.mkdir(parents=True, exist_ok=True)
        for old in path.parent.iterdir():
            old.unlink()
        path.write_text(digest)


def test_a_day_is_put_back_in_the_stores_order_and_what_it_replaces_removed(
    url: ObjectUrl, own: ObjectStoreSettings, s3: Server
) -> None:
    with hold_bucket(url, own) as out:
        write_day(out.local, DAY, "old")
        write_day(out.local, NEXT, "old")
        out.keep_store()
        write_day(out.local, DAY, "new")
        write_day(out.local, NEXT, "new")
        s3.asked.clear()
        out.keep_store([DAY])
    put = [path.split("/")[4] for method, path in s3.asked if method == "PUT" and "/store/" in path]
    assert put == ["site_hour", "reject", "site_day", "intake"]
    held = s3.objects(s3.bucket, "out/store")
    assert {name.rpartition("-")[2] for name in held if f"date={DAY}" in name} == {"new.parquet"}
    assert {name.rpartition("-")[2] for name in held if f"date={NEXT}" in name} == {"old.parquet"}


def test_the_copy_is_what_the_object_store_says(
    url: ObjectUrl, own: ObjectStoreSettings, tmp_path: Path
) -> None:
    with hold_bucket(url, own) as out:
        for day in (DAY, NEXT):
            write_day(out.local, day, "old")
        out.keep_store()
        write_day(out.local, DAY, "unsent")  # as a night that was killed leaves it
    elsewhere = own.model_copy(update={"cache": str(tmp_path / "elsewhere")})
    for settings in (own, elsewhere):
        with hold_bucket(url, settings) as out:
            out.bring_store([DAY])
            assert {name for name in store_files(out.local) if str(DAY) in name} == {
                f"{table}/date={DAY}/{table}-old.parquet" for table in TABLES
            }
    assert not [name for name in store_files(out.local) if str(NEXT) in name]


@pytest.mark.parametrize(
    "name",
    [
        "site_day/date=2025-06-01/.hidden",
        "site_day/date=2025-06-01/x/y",
        "site_day/x",
        "S/date=2025-06-01/é",
        "x" * 300,
    ],
)
def test_an_object_of_another_name_is_not_fetched(
    url: ObjectUrl, own: ObjectStoreSettings, s3: Server, name: str
) -> None:
    s3.client().put_object(Bucket=s3.bucket, Key=f"out/store/{name}", Body=b"x")
    with hold_bucket(url, own) as out:
        out.bring_store()
        assert not (out.local / "store").exists() or store_files(out.local) == set()


def test_sums_of_corrected_days_come_back_and_what_else_is_hidden_does_not(
    url: ObjectUrl, own: ObjectStoreSettings, s3: Server
) -> None:
    names = (".sums/2025-06-01-0af3.corrected_energy.parquet", ".sums/.x.parquet", ".other/x.parquet")
    for name in names:
        s3.client().put_object(Bucket=s3.bucket, Key=f"out/corrected/{name}", Body=b"x")
    with hold_bucket(url, own) as out:
        out.bring_corrected()
        folder = out.local / "corrected"
        assert [str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()] == [names[0]]


def hand_in(out: BucketOut, day: date, text: str) -> str:
    """Publish a run of three files."""
    built = publish.building_folder(out.local, day)
    (built / "report").mkdir()
    for name, content in whole(text).items():
        (built / name).write_text(content)
    return out.hand_in(publish.publish(built, out.local, day), day)


def published(s3: Server) -> dict[str, str]:
    """What whoever goes by the index finds: name -> text."""
    run = json.loads(s3.objects(s3.bucket, "out/latest.json")[""])["run"]
    return {name: content.decode() for name, content in s3.objects(s3.bucket, f"out/{run}").items()}


def whole(text: str) -> dict[str, str]:
    contents = {name: f"{name} {text}" for name in ("standing.parquet", "report/index.html")}
    files = {
        name: {"bytes": len(content), "sha256": hashlib.sha256(content.encode()).hexdigest()}
        for name, content in contents.items()
    }
    return {"run.json": json.dumps({"as_of": text, "files": files}), **contents}


def runs(s3: Server) -> set[str]:
    """The runs of which any object is there."""
    return {"/".join(name.split("/")[:2]) for name in s3.objects(s3.bucket, "out/runs")}


def test_private_files_are_sent_only_where_they_are_shared_and_fetched_for_their_owner_alone(
    url: ObjectUrl, own: ObjectStoreSettings, s3: Server, tmp_path: Path
) -> None:
    with hold_bucket(url, own) as out:
        built = publish.building_folder(out.local, DAY)
        (built / "private").mkdir()
        for name in ("run.json", "private/site_contact.parquet", "private/visit_note.parquet"):
            (built / name).write_text(name)
        run = publish.publish(built, out.local, DAY)
        out.hand_in(run, DAY, {"private/site_contact.parquet"})
        assert (run / "private" / "site_contact.parquet").is_file()
    assert set(published(s3)) == {"run.json", "private/visit_note.parquet"}
    elsewhere = own.model_copy(update={"cache": str(tmp_path / "elsewhere")})
    with read_bucket(url, elsewhere) as copy:
        private = (copy.local / "latest" / "private").resolve()
        assert [path.name for path in private.iterdir()] == ["visit_note.parquet"]
        assert private.stat().st_mode & 0o077 == 0


def test_a_run_is_there_whole_before_the_index_names_it(
    url: ObjectUrl, own: ObjectStoreSettings, s3: Server
) -> None:
    with hold_bucket(url, own) as out:
        address = hand_in(out, DAY, "one")
        assert published(s3) == whole("one")
        assert address == f"{url}/{json.loads(s3.objects(s3.bucket, 'out/latest.json')[''])['run']}"
        s3.asked.clear()
        hand_in(out, NEXT, "two")
    put = [path.rpartition("/")[2] for method, path in s3.asked if method == "PUT"]
    assert set(put[:2]) == {"standing.parquet?", "index.html?"}
    assert put[2:4] == ["run.json?", "latest.json?"]
    assert published(s3) == whole("two")
    with hold_bucket(url, own) as out:
        before = out.earlier_run(NEXT, ["standing"])
        assert before.folder is not None
        assert (before.folder.name, before.passed_over) == (str(DAY), ())
        assert (before.folder / "standing.parquet").read_text() == "standing.parquet one"
        assert out.earlier_run(DAY, ["standing"]) == EarlierRun()


@pytest.mark.parametrize("kind", ["slow_down", "reset", "refused"])
@pytest.mark.parametrize("part", ["/index.html", "/run.json", "/latest.json"])
def test_a_run_that_could_not_be_sent_leaves_all_as_it_was_and_a_later_one_removes_it(
    url: ObjectUrl, own: ObjectStoreSettings, s3: Server, kind: str, part: str
) -> None:
    with hold_bucket(url, own) as out:
        hand_in(out, DAY, "one")
    s3.goes_wrong(kind, "PUT", part, 99)
    for day in (DAY, NEXT):
        with pytest.raises((InputError, NightFailed)) as failed, hold_bucket(url, own) as out:
            hand_in(out, day, "two")
        assert ("nothing was published" in str(failed.value)) == (part != "/latest.json")
        assert published(s3) == whole("one")
    s3.troubles.clear()
    # what was sent before the refusal, if anything was, lies there unnamed
    assert len(runs(s3)) == 3 or part == "/index.html"
    with hold_bucket(url, own) as out:
        assert not (out.local / "latest").exists()  # what was never published is none here either
        hand_in(out, DAY, "three")
    assert published(s3) == whole("three")
    # the one that was replaced stays for its readers, until its day is published again
    assert len(runs(s3)) == 2
    with hold_bucket(url, own) as out:
        hand_in(out, DAY, "four")
    assert len(runs(s3)) == 2
    assert published(s3) == whole("four")


def test_a_night_that_was_overtaken_without_knowing_publishes_nothing(
    url: ObjectUrl, own: ObjectStoreSettings, s3: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its lock ran out, as it was asleep; the index has been turned since it began."""
    monkeypatch.setattr(BucketLock, "renew", lambda lock: None)
    brief = own.model_copy(update={"lock_s": 1.0})
    elsewhere = brief.model_copy(update={"cache": f"{own.cache}-elsewhere"})

    def overtaken() -> None:
        with hold_bucket(url, brief) as slow:
            time.sleep(1.1)
            with hold_bucket(url, elsewhere) as quick:
                hand_in(quick, DAY, "quick")
            hand_in(slow, DAY, "slow")

    with pytest.raises(
        NightFailed, match="another night has published here meanwhile; nothing was published"
    ):
        overtaken()
    assert published(s3) == whole("quick")


def test_a_run_that_is_not_there_any_more_is_said(url: ObjectUrl, own: ObjectStoreSettings) -> None:
    run = f"runs/{DAY}/0123456789ab"
    turn(Bucket(url, own), Index(), lambda index: index.with_run(DAY, run))
    with (
        pytest.raises(
            NightFailed, match=rf"^{url}/{run}: is not there any more; run the night of {DAY} again"
        ),
        read_bucket(url, own),
    ):
        pass


def test_errors_call_the_copy_by_its_address(url: ObjectUrl, own: ObjectStoreSettings) -> None:
    with pytest.raises(InputError, match=rf"^{url}/x.csv: wrong$"), hold_bucket(url, own) as out:
        raise InputError(f"{out.local}/x.csv: wrong")


def test_another_server_has_another_copy(
    url: ObjectUrl, own: ObjectStoreSettings, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    here = cache_folder(url, own)
    assert here == cache_folder(url, own)
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:1")
    assert cache_folder(url, own) != here
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    assert tmp_path / "xdg" / "nightclamp" in cache_folder(url, own.model_copy(update={"cache": ""})).parents
