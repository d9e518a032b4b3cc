"""A local copy of objects: fetched where they differ, put back where they changed, asked for no more than that."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from s3_server import Server

from pipeline.core.errors import NightFailed
from pipeline.core.settings import load_settings
from pipeline.storage.bucket_sync import BucketCopy
from pipeline.storage.object_store import Bucket
from pipeline.storage.object_url import ObjectUrl

TXT = re.compile(r"[a-z]+\.txt")


@pytest.fixture
def bucket(s3: Server) -> Bucket:
    own = load_settings().object_store
    bucket = Bucket(ObjectUrl(s3.bucket, "out"), own)
    for name in ("store/a.txt", "store/b.txt", "store/.c.txt", "store/sub/d.txt", "storex/e.txt"):
        bucket.put(name, name.encode())
    return bucket


def brought(bucket: Bucket, root: Path, s3: Server) -> tuple[BucketCopy, list[str]]:
    """A copy of all that it may hold, and which objects were fetched for it."""
    copy = BucketCopy(bucket, root)
    objects = copy.listed("store", TXT)
    s3.asked.clear()
    copy.bring(objects, "here")
    return copy, sorted(path.rpartition("/")[2].strip("?") for _, path in s3.asked)


def test_only_what_differs_is_fetched(bucket: Bucket, tmp_path: Path, s3: Server) -> None:
    assert brought(bucket, tmp_path, s3)[1] == ["a.txt", "b.txt"]
    assert brought(bucket, tmp_path, s3)[1] == []
    bucket.put("store/a.txt", b"new, elsewhere")
    assert brought(bucket, tmp_path, s3)[1] == ["a.txt"]
    (tmp_path / "here" / "b.txt").write_bytes(b"spoilt here")
    assert brought(bucket, tmp_path, s3)[1] == ["b.txt"]
    (tmp_path / "known.json").write_text("nonsense")
    assert brought(bucket, tmp_path, s3)[1] == ["a.txt", "b.txt"]
    assert {path.name: path.read_bytes() for path in (tmp_path / "here").iterdir()} == {
        "a.txt": b"new, elsewhere",
        "b.txt": b"store/b.txt",
    }


def test_only_what_changed_is_put_back(bucket: Bucket, tmp_path: Path, s3: Server) -> None:
    copy, _ = brought(bucket, tmp_path, s3)
    (tmp_path / "here" / "b.txt").write_bytes(b"new here")
    (tmp_path / "here" / ".b.part").write_bytes(b"half")
    s3.asked.clear()
    copy.send(list(copy.files("here")))
    copy.send(list(copy.files("here")))
    assert [path.rpartition("/")[2] for method, path in s3.asked if method == "PUT"] == ["b.txt?"]
    assert s3.objects(s3.bucket, "out/here")["b.txt"] == b"new here"
    assert ".b.part" not in s3.objects(s3.bucket, "out/here")


def test_a_fetch_that_fails_leaves_the_file_that_was_there(
    bucket: Bucket, tmp_path: Path, s3: Server
) -> None:
    brought(bucket, tmp_path, s3)
    bucket.put("store/a.txt", b"new")
    s3.goes_wrong("cut_off", "GET", "/a.txt", 99)
    with pytest.raises(NightFailed, match=r"store/a.txt: could not be read"):
        brought(bucket, tmp_path, s3)
    assert (tmp_path / "here" / "a.txt").read_bytes() == b"store/a.txt"
    s3.troubles.clear()
    assert brought(bucket, tmp_path, s3)[1] == ["a.txt"]


def test_what_another_machine_changed_meanwhile_is_put_back_too(
    bucket: Bucket, tmp_path: Path, s3: Server
) -> None:
    copy, _ = brought(bucket, tmp_path, s3)
    names = list(copy.files("here"))
    (tmp_path / "here" / "b.txt").write_bytes(b"new here")
    for name in names:
        bucket.put(name, b"elsewhere")
    there = {entry.name: entry.tag for entry in bucket.listed("here")}
    copy.send_changed(names, there)
    assert [bucket.read(name)[0] for name in names] == [b"store/a.txt", b"new here"]

    s3.asked.clear()
    copy.send_changed(names, {entry.name: entry.tag for entry in bucket.listed("here")})
    assert not [path for method, path in s3.asked if method == "PUT"]
