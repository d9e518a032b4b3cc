"""Reading and writing an object store: what passes is tried again, what doesn't is one line without secrets."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest
from s3_server import KEY, SECRET, Server

from pipeline.core.errors import InputError, NightclampError, NightFailed
from pipeline.core.settings import load_settings
from pipeline.storage.object_store import Bucket, ReplacedError, TakenError
from pipeline.storage.object_url import ObjectUrl

BIG = bytes(range(256)) * 4 * 2**14  # 16 MiB: two parts


@pytest.fixture
def bucket(s3: Server) -> Bucket:
    return Bucket(ObjectUrl(s3.bucket, "a/b"), load_settings().object_store)


def test_what_is_put_is_listed_read_and_fetched(bucket: Bucket, tmp_path: Path) -> None:
    for name, content in {"x/1": b"one", "x/y/2": b"two", "x2": b""}.items():
        bucket.put(name, content)

    assert [(one.name, one.size) for one in bucket.listed("x")] == [("x/1", 3), ("x/y/2", 3)]
    objects, folders = bucket.level()
    assert ([one.name for one in objects], folders) == (["x2"], ["x"])
    assert bucket.read("x/1")[0] == b"one"
    assert bucket.read("x/3") is None
    for one in bucket.listed():
        bucket.fetch(one, tmp_path / "got")
        assert (tmp_path / "got").read_bytes() == bucket.read(one.name)[0]
    bucket.remove(["x/1", "x2", "never there"])
    assert [one.name for one in bucket.listed()] == ["x/y/2"]


@pytest.mark.parametrize("kind", ["slow_down", "reset", "cut_off", "answer_lost"])
def test_a_passing_trouble_is_tried_again(bucket: Bucket, s3: Server, tmp_path: Path, kind: str) -> None:
    """On reads of lists and of content, and on writes, whole and in parts."""
    bucket.put("small", b"0123456789")
    for method, part in (
        ("GET", "list-type"),
        ("GET", "/small"),
        ("PUT", "/small"),
        ("PUT", "/big"),
        ("POST", "/big"),
    ):
        s3.goes_wrong(kind, method, part, 2)
    (tmp_path / "big").write_bytes(BIG)

    (small,) = bucket.listed()
    bucket.fetch(small, tmp_path / "got")
    bucket.put("small", b"9876543210")
    bucket.put("big", tmp_path / "big")

    assert (tmp_path / "got").read_bytes() == b"0123456789"
    assert bucket.read("small")[0] == b"9876543210"
    assert s3.objects(s3.bucket, "a/b")["big"] == BIG
    answered = 1 if kind == "cut_off" else 2  # the answer to a small write has no body that could break off
    assert [trouble.met for trouble in s3.troubles] == [2, 2, answered, 2, 2]


def test_a_fetch_that_breaks_off_goes_on_where_it_was(bucket: Bucket, s3: Server, tmp_path: Path) -> None:
    (tmp_path / "big").write_bytes(BIG)
    bucket.put("big", tmp_path / "big")
    (big,) = bucket.listed()
    s3.goes_wrong("cut_off", "GET", "/big", 1)

    bucket.fetch(big, tmp_path / "got")

    assert (tmp_path / "got").read_bytes() == BIG


def test_a_request_without_an_answer_is_sent_again(bucket: Bucket, s3: Server) -> None:
    bucket.own = bucket.own.model_copy(update={"answer_s": 0.3})
    slow = Bucket(bucket.url, bucket.own)
    s3.goes_wrong("slow", "PUT", "/late", 2, seconds=1.0)
    start = time.monotonic()
    slow.put("late", b"here")
    assert slow.read("late")[0] == b"here"
    assert time.monotonic() - start < 3.0


@pytest.mark.parametrize(("kind", "told"), [("slow_down", "status 503 SlowDown"), ("reset", "no answer")])
def test_the_limit_of_tries_is_kept_and_said_in_one_line(
    bucket: Bucket, s3: Server, kind: str, told: str
) -> None:
    trouble = s3.goes_wrong(kind, "PUT", "/x", 99)
    with pytest.raises(NightFailed, match=f"s3://{s3.bucket}/a/b/x: could not be written .{told}") as failed:
        bucket.put("x", b"1")
    assert trouble.met == bucket.own.tries
    assert "\n" not in str(failed.value)


def test_the_limit_of_time_is_kept(bucket: Bucket, s3: Server) -> None:
    hasty = bucket.own.model_copy(update={"tries": 100, "give_up_s": 0.5, "longest_wait_s": 0.2})
    s3.goes_wrong("slow_down", "GET", "/x", 999)
    start = time.monotonic()
    with pytest.raises(NightFailed, match="could not be read"):
        Bucket(bucket.url, hasty).read("x")
    assert time.monotonic() - start < 1.5


def test_a_conditional_put_wins_once(bucket: Bucket) -> None:
    first = bucket.put("lock", b"1", "")
    with pytest.raises(TakenError):
        bucket.put("lock", b"2", "")
    second = bucket.put("lock", b"3", first)
    with pytest.raises(TakenError):
        bucket.put("lock", b"4", first)
    with pytest.raises(TakenError):
        bucket.put("not there", b"5", second)
    assert bucket.read("lock") == (b"3", second)


def test_an_answer_that_is_too_short_is_asked_for_again(bucket: Bucket, s3: Server, tmp_path: Path) -> None:
    bucket.put("x", b"0123456789")
    (listed,) = bucket.listed()
    s3.goes_wrong("short", "GET", "/x", 2)
    bucket.fetch(listed, tmp_path / "got")
    assert (tmp_path / "got").read_bytes() == b"0123456789"
    s3.goes_wrong("short", "GET", "/x", 99)
    with pytest.raises(NightFailed, match=r"could not be read \(not all of it came; 4 tries"):
        bucket.fetch(listed, tmp_path / "got")


@pytest.mark.parametrize("kind", ["wait", "careless"])
@pytest.mark.parametrize("change", ["another", "longer", "removed"])
def test_what_was_replaced_since_it_was_listed_is_noticed(
    bucket: Bucket, s3: Server, tmp_path: Path, change: str, kind: str
) -> None:
    """Also where the server doesn't know If-Match."""
    bucket.put("x", b"content")
    (listed,) = bucket.listed()
    if change == "removed":
        bucket.remove(["x"])
    else:
        bucket.put("x", b"CONTENT" if change == "another" else b"content and more")
    s3.goes_wrong(kind, "GET", "/x")
    with pytest.raises(ReplacedError):
        bucket.fetch(listed, tmp_path / "got")


def test_a_missing_bucket_and_refused_keys_are_wrong_input(bucket: Bucket, s3: Server) -> None:
    other = Bucket(ObjectUrl("nobodys-bucket", "x"), bucket.own)
    for ask in (other.listed, lambda: other.read("y"), lambda: other.put("y", b"")):
        with pytest.raises(
            InputError, match="s3://nobodys-bucket/x: no bucket 'nobodys-bucket' there; check the name"
        ):
            ask()
    trouble = s3.goes_wrong("refused", "GET", "", 9)
    with pytest.raises(
        InputError, match=r"access refused .status 403 SignatureDoesNotMatch.; check the AWS cred"
    ):
        bucket.listed()
    assert trouble.met == 1


def test_nothing_of_the_librarys_words_gets_out(bucket: Bucket, s3: Server) -> None:
    """S3's own answer to a wrong signature repeats the key and what was signed."""
    s3.goes_wrong("refused", "GET", "")
    with pytest.raises(InputError) as refused:
        bucket.listed()
    error: BaseException | None = refused.value
    assert isinstance(error, NightclampError)
    assert KEY not in repr(error)
    assert SECRET not in repr(error)
    assert error.__cause__ is None
    assert error.__suppress_context__


def test_no_credentials_are_told_before_anything_is_asked(
    s3: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    monkeypatch.delenv("AWS_SECRET_ACCESS_KEY")
    with pytest.raises(InputError, match="no usable AWS credentials"):
        Bucket(ObjectUrl(s3.bucket), load_settings().object_store)
    monkeypatch.setenv("AWS_PROFILE", "nobody")
    with pytest.raises(InputError, match="no usable AWS credentials"):
        Bucket(ObjectUrl(s3.bucket), load_settings().object_store)


def test_without_the_extra_it_says_what_to_install(s3: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "obstore.store", None)
    with pytest.raises(InputError, match=r"an object store needs the extra: pip install 'nightclamp\[s3\]'"):
        Bucket(ObjectUrl(s3.bucket), load_settings().object_store)


def test_credentials_of_a_profile_serve(s3: Server, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    monkeypatch.delenv("AWS_SECRET_ACCESS_KEY")
    monkeypatch.setenv("AWS_PROFILE", "fleet")
    (tmp_path / "no-credentials").write_text(
        f"[fleet]\naws_access_key_id = {KEY}\naws_secret_access_key = {SECRET}\n"
    )
    bucket = Bucket(ObjectUrl(s3.bucket), load_settings().object_store)
    bucket.put("x", b"1")
    assert bucket.read("x")[0] == b"1"


@pytest.mark.parametrize("name", ["a/../../../etc/passwd", "a//b", "a/./b"])
def test_a_name_that_leads_elsewhere_is_refused(bucket: Bucket, s3: Server, name: str) -> None:
    s3.client().put_object(Bucket=s3.bucket, Key=f"a/b/{name}", Body=b"1")
    with pytest.raises(InputError, match=r"an empty part, '.' or '..' in its name; rename or remove it"):
        bucket.listed()


@pytest.mark.parametrize(
    "name", ["ü ñ#?%2F..", "..%2f..%2fpasswd", "a\\..\\b", "\u202egnp", "~*|<x>", "l" * 900]
)
def test_an_odd_name_is_a_name(bucket: Bucket, s3: Server, tmp_path: Path, name: str) -> None:
    s3.client().put_object(Bucket=s3.bucket, Key=f"a/b/x/{name}", Body=name.encode())
    (one,) = bucket.listed("x")
    assert one.name == f"x/{name}"
    bucket.fetch(one, tmp_path / "got")
    assert (tmp_path / "got").read_bytes() == name.encode()
