"""One night at once in an object store: a small object that says who holds OUT and until when.

It is made, taken over and given back by conditional puts only, so of two that try at once one wins. Whoever
holds it renews it; what a killed night leaves runs out by itself, and at once for the machine that it ran on.
That clocks differ can let two nights work at once, but never publish both: the index is turned by a conditional
put of its own (pipeline/storage/bucket_index.py).
"""

from __future__ import annotations

import json
import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta

from pipeline.core import clock
from pipeline.core.errors import NightclampError, NightFailed
from pipeline.storage.object_store import Bucket, TakenError

NAME = "night.lock"
_RENEWALS = 3  # tries to renew before the lock would run out


class BucketLock:
    """The lock of one OUT while it is held."""

    def __init__(self, bucket: Bucket, holder: str) -> None:
        """Prepare to hold it in the name of `holder`, an id that no other working copy has."""
        brief = bucket.own.model_copy(update={"give_up_s": bucket.own.lock_s / _RENEWALS})
        self._bucket = Bucket(bucket.url, brief)
        self._holder, self._token = holder, uuid.uuid4().hex
        self._tag = ""
        self._is_lost = False

    def check(self) -> None:
        """Hold that the lock is still ours.

        Raises
        ------
        NightFailed
            It was not renewed in time and another night has taken it.
        """
        if self._is_lost:
            raise NightFailed(
                f"{self._bucket.url}: another night took over while this one could not renew its lock; "
                "nothing was published"
            )

    def take(self) -> None:
        """Take the lock, also one that has run out or that this holder's killed night has left."""
        now = clock.utc_now()
        try:
            self._tag = self._bucket.put(NAME, self._says(), "")
            return
        except TakenError:
            stored = self._bucket.read(NAME)
        if stored is not None:
            holder, token, until = _read(stored[0])
            if token == self._token:  # an answer was lost: the first try had made it
                self._tag = stored[1]
                return
            if holder != self._holder and until > now:
                raise self._at_work(f"its lock runs out at {until:%H:%M:%S} UTC unless it goes on")
        try:
            self._tag = self._bucket.put(NAME, self._says(), stored[1] if stored else "")
        except TakenError:
            self._settle()
            if self._is_lost:
                raise self._at_work("it has just begun") from None

    def renew(self) -> None:
        """Hold it for another [object_store] lock_s seconds."""
        try:
            self._tag = self._bucket.put(NAME, self._says(), self._tag)
        except TakenError:
            self._settle()

    def give_back(self) -> None:
        """Let it run out now; one that is another's stays."""
        with suppress(TakenError):
            self._bucket.put(NAME, self._says(is_over=True), self._tag)

    def _settle(self) -> None:
        """Find out whether a refused put was our own, whose answer was lost, or another's."""
        stored = self._bucket.read(NAME)
        if stored is not None and _read(stored[0])[1] == self._token:
            self._tag = stored[1]
        else:
            self._is_lost = True

    def _at_work(self, why: str) -> NightFailed:
        where = self._bucket.url
        return NightFailed(
            f"{where}: another night is at work here ({why}); wait for it or choose another --out"
        )

    def _says(self, *, is_over: bool = False) -> bytes:
        span = timedelta(seconds=0 if is_over else self._bucket.own.lock_s)
        until = (clock.utc_now() + span).isoformat(timespec="milliseconds")
        # The turn makes each content, and with it each ETag, another one.
        lock = {"holder": self._holder, "token": self._token, "until": until, "turn": uuid.uuid4().hex}
        return json.dumps(lock).encode()


@contextmanager
def hold(bucket: Bucket, holder: str) -> Iterator[BucketLock]:
    """Hold the lock and renew it beside what is done meanwhile.

    Raises
    ------
    NightFailed
        Another night holds it.
    """
    lock, is_over = BucketLock(bucket, holder), threading.Event()
    lock.take()

    def go_on() -> None:
        while not is_over.wait(bucket.own.lock_s / _RENEWALS):
            try:
                lock.renew()
            except NightclampError:  # not reached: tried again, and the index is guarded by itself
                continue

    beside = threading.Thread(target=go_on, name="nightclamp lock", daemon=True)
    beside.start()
    try:
        yield lock
    finally:
        is_over.set()
        beside.join()
        with suppress(NightclampError):  # it runs out by itself; what went wrong before is what must be said
            lock.give_back()


def _read(content: bytes) -> tuple[str, str, datetime]:
    """Return (holder, token, until) of a lock; one that can't be read has run out."""
    try:
        lock = json.loads(content)
        until = datetime.fromisoformat(lock["until"])
        return str(lock["holder"]), str(lock["token"]), until if until.tzinfo else until.replace(tzinfo=UTC)
    except (ValueError, TypeError, LookupError):
        return "", "", datetime.min.replace(tzinfo=UTC)
