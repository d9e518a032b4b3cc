"""One prefix of an S3 bucket through obstore, which tries again: listed, read, put, errors in one line."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from errno import ESTALE
from pathlib import Path
from typing import Any, TypeVar

from pipeline.core.errors import NightFailed
from pipeline.core.setting_sections import ObjectStoreSettings
from pipeline.storage.object_client import code_of, open_store, refusal_of, told_of, tries_of
from pipeline.storage.object_url import ObjectUrl

T = TypeVar("T")
_CHUNK = 4 * 2**20
_PART = 8 * 2**20


class ReplacedError(OSError):
    """An object is no longer the one that was listed."""


class TakenError(Exception):
    """An object was not as a conditional put wanted it."""


class _Passing(Exception):
    """A failure that another try may turn; the words are ours."""


@dataclass(frozen=True)
class Stored:
    """An object: `name` below the prefix, size [bytes], `tag` its ETag and version, last modified [ns since 1970]."""

    name: str
    size: int
    tag: str
    modified_ns: int


class Bucket:
    """The objects below one ObjectUrl. Every method raises InputError or NightFailed, with one line."""

    def __init__(self, url: ObjectUrl, own: ObjectStoreSettings) -> None:
        """Open the place; nothing is asked yet but where the credentials are."""
        self.url, self.own = url, own
        self._store = open_store(url, own)

    def listed(self, below: str = "") -> list[Stored]:
        """Return the objects below the folder `below`, by name."""
        import obstore

        def ask() -> list[Stored]:
            chunks = obstore.list(self._store, below or None, chunk_size=1000)
            return [_stored(meta) for chunk in chunks for meta in chunk]

        return sorted(self._tried(ask, "listed", below), key=lambda one: one.name)

    def level(self, below: str = "") -> tuple[list[Stored], list[str]]:
        """Return the objects right in the folder `below`, and the names of the folders in it."""
        import obstore

        def ask() -> tuple[list[Stored], list[str]]:
            entries = obstore.list_with_delimiter(self._store, below or None)
            names = sorted(str(name).rpartition("/")[2] for name in entries["common_prefixes"])
            return [_stored(meta) for meta in entries["objects"]], names

        return self._tried(ask, "listed", below)

    def read(self, name: str) -> tuple[bytes, str] | None:
        """Return a small object and its tag; None if there is none."""
        import obstore

        def ask() -> tuple[bytes, str] | None:
            try:
                got = obstore.get(self._store, name)
            except FileNotFoundError as error:
                if code_of(error) == "NoSuchBucket":
                    raise
                return None
            content = bytes(got.bytes())
            if len(content) != got.meta["size"]:
                raise _Passing("not all of it came")
            return content, str(got.meta["e_tag"])

        return self._tried(ask, "read", name)

    def fetch(self, what: Stored, to: Path) -> None:
        """Stream an object into the file `to`.

        Raises
        ------
        ReplacedError
            It is not, or no longer, the one that was listed.
        """
        import obstore
        from obstore.exceptions import PreconditionError

        gone = ReplacedError(ESTALE, "replaced or removed while it was read", f"{self.url}/{what.name}")
        with to.open("wb") as file:

            def copy() -> None:
                file.seek(0)
                file.truncate()
                try:
                    got = obstore.get(self._store, what.name, options={"if_match": what.tag})
                except (PreconditionError, FileNotFoundError):
                    raise gone from None
                if str(got.meta["e_tag"]) != what.tag:  # where If-Match is not known
                    raise gone
                for chunk in got.stream(_CHUNK):
                    file.write(chunk)
                if file.tell() != what.size:
                    raise _Passing("not all of it came")

            self._tried(copy, "read", what.name)

    def put(self, name: str, content: bytes | Path, only_if: str | None = None) -> str:
        """Write an object in one atomic step and return its tag.

        `only_if`: the tag that it must have, "" if there must be none, None if that doesn't matter.

        Raises
        ------
        TakenError
            It is not as `only_if` says; or it was, and an answer that was lost has made it ours.
        """
        import obstore
        from obstore.exceptions import AlreadyExistsError, PreconditionError

        is_big = isinstance(content, Path) and content.stat().st_size > _PART
        mode: Any = "overwrite" if only_if is None else {"e_tag": only_if} if only_if else "create"

        def send() -> str:
            try:
                if is_big:
                    done = obstore.put(self._store, name, content, chunk_size=_PART, use_multipart=True)
                else:
                    body = content.read_bytes() if isinstance(content, Path) else content
                    done = obstore.put(self._store, name, body, mode=mode, use_multipart=False)
            except (AlreadyExistsError, PreconditionError) as error:
                if only_if is None or code_of(error) == "ConditionalRequestConflict":
                    raise _Passing(told_of(error)) from None
                raise TakenError from None
            return str(done["e_tag"])

        return self._tried(send, "written", name)

    def remove(self, names: Iterable[str]) -> None:
        """Delete objects; one that isn't there is none the worse."""
        import obstore

        wanted = list(names)
        if wanted:
            self._tried(lambda: obstore.delete(self._store, wanted), "deleted", wanted[0])

    def each(self, do: Callable[[T], object], things: Iterable[T]) -> None:
        """Carry `do` out for all things, several at once; the first failure is raised when those begun are done."""
        with ThreadPoolExecutor(self.own.at_once) as pool:
            list(pool.map(do, things))  # which begins no other thing after a failure

    def _tried(self, do: Callable[[], T], done: str, name: str) -> T:
        """Do it, again after an answer that broke off or a conflict, which obstore leaves to us, within the limits."""
        from obstore.exceptions import BaseError

        where = f"{self.url}/{name}".rstrip("/")
        until = time.monotonic() + self.own.give_up_s
        tries, given_up = 0, None
        while given_up is None and tries < self.own.tries and time.monotonic() < until:
            time.sleep(self.own.first_wait_s if tries else 0)
            tries += 1
            try:
                return do()
            except _Passing as passing:
                message = str(passing)
            except (BaseError, FileNotFoundError) as error:
                refused = refusal_of(error, where, self.url)
                if refused is not None:
                    raise refused from None
                message, given_up = told_of(error), tries_of(error)
        details = f"{message}; {given_up or tries} tries"
        raise NightFailed(
            f"{where}: could not be {done} ({details}); run again when the object store answers"
        )


def _stored(meta: Any) -> Stored:
    tag = str(meta["e_tag"])
    modified = meta["last_modified"]
    return Stored(meta["path"], meta["size"], tag, round(modified.timestamp() * 1e6) * 1000)
