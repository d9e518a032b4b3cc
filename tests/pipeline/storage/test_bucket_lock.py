"""The lock of an OUT in an object store: one holds it, renews it, and what a killed night leaves runs out."""

from __future__ import annotations

import time

import pytest
from s3_server import Server

from pipeline.core.errors import NightFailed
from pipeline.core.settings import load_settings
from pipeline.storage.bucket_lock import NAME, BucketLock, hold
from pipeline.storage.object_store import Bucket
from pipeline.storage.object_url import ObjectUrl


@pytest.fixture
def bucket(s3: Server) -> Bucket:
    own = load_settings().object_store.model_copy(update={"lock_s": 1.0})
    return Bucket(ObjectUrl(s3.bucket, "out"), own)


def test_a_second_night_stops_with_one_line_until_the_first_is_over(bucket: Bucket) -> None:
    with hold(bucket, "one"):
        for _ in range(2):
            with pytest.raises(
                NightFailed, match=r"another night is at work here \(its lock runs out at"
            ) as refused:
                BucketLock(bucket, "two").take()
            assert "\n" not in str(refused.value)
            time.sleep(1.3)  # longer than the lock holds unless it is renewed
    with hold(bucket, "two"):
        pass


def test_of_two_that_begin_at_once_one_wins(bucket: Bucket, s3: Server) -> None:
    """The other comes in between the look at a lock that has run out and the taking of it."""
    with hold(bucket, "before"):
        pass
    other, turns = BucketLock(bucket, "two"), []

    def meanwhile() -> None:
        turns.append(1)
        if len(turns) == 2:
            s3.troubles.clear()
            other.take()

    s3.goes_wrong("wait", "PUT", f"/{NAME}", 2, meet=meanwhile)
    with pytest.raises(NightFailed, match=r"another night is at work here \(it has just begun"):
        BucketLock(bucket, "one").take()
    other.check()


def test_a_killed_nights_lock_runs_out_and_at_once_for_its_own_machine(bucket: Bucket) -> None:
    BucketLock(bucket, "one").take()
    with pytest.raises(NightFailed):
        BucketLock(bucket, "two").take()
    BucketLock(bucket, "one").take()
    time.sleep(1.1)
    BucketLock(bucket, "two").take()


def test_a_night_that_could_not_renew_finds_out(bucket: Bucket) -> None:
    slow = BucketLock(bucket, "one")
    slow.take()
    slow.check()
    time.sleep(1.1)
    other = BucketLock(bucket, "two")
    other.take()
    slow.renew()
    with pytest.raises(NightFailed, match="another night took over while this one could not renew its lock"):
        slow.check()
    slow.give_back()
    with pytest.raises(NightFailed, match="at work here"):
        BucketLock(bucket, "three").take()


@pytest.mark.parametrize("content", [b"", b"{}", b"[1]", b'{"until": "tomorrow"}', b"\xff\xfe"])
def test_a_lock_that_says_nothing_is_none(bucket: Bucket, content: bytes) -> None:
    bucket.put(NAME, content)
    BucketLock(bucket, "one").take()


def test_a_lost_answer_is_not_another_night(bucket: Bucket, s3: Server) -> None:
    lock = BucketLock(bucket, "one")
    s3.goes_wrong("answer_lost", "PUT", f"/{NAME}", 1)
    lock.take()
    s3.goes_wrong("answer_lost", "PUT", f"/{NAME}", 1)
    lock.renew()
    lock.check()
    lock.give_back()
    BucketLock(bucket, "two").take()
