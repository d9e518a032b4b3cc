"""Holding an OUT in an object store for a night, or its latest run for reading, each in a copy in the cache folder."""

from __future__ import annotations

import fcntl
import hashlib
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.core.atomic_files import write_text
from pipeline.core.errors import InputError, NightFailed
from pipeline.core.setting_sections import ObjectStoreSettings
from pipeline.storage import bucket_index, publish
from pipeline.storage.bucket_lock import hold
from pipeline.storage.bucket_out import BucketOut
from pipeline.storage.cache_base import cache_base, server_name
from pipeline.storage.object_store import Bucket
from pipeline.storage.object_url import ObjectUrl


@contextmanager
def hold_bucket(url: ObjectUrl, own: ObjectStoreSettings) -> Iterator[BucketOut]:
    """Hold an OUT in an object store for one night, on this machine and on all others."""
    local = cache_folder(url, own) / "night"
    with publish.only_night(local, shown=str(url)):
        bucket = Bucket(url, own)
        with hold(bucket, _holder(local)) as lock:
            out = BucketOut(bucket, local, lock)
            out.bring_rest()
            try:
                yield out
            except (InputError, NightFailed) as error:
                raise type(error)(out.named(str(error))) from None


@contextmanager
def read_bucket(url: ObjectUrl, own: ObjectStoreSettings) -> Iterator[BucketOut]:
    """Have the latest run and the fleet's own model in a copy for reading; one command at a time reads or waits."""
    local = cache_folder(url, own) / "read"
    local.mkdir(parents=True, exist_ok=True)
    with (local / ".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        out = BucketOut(Bucket(url, own), local)
        latest = out.index.latest
        if not latest:
            raise InputError(f"{url}: no published run; run `nightclamp nightly LAKE --out {url}` first")
        for folder in ("orders", "dispatch"):
            shutil.rmtree(local / folder, ignore_errors=True)
        out.bring_rest()
        out.bring_run(latest)
        publish.turn(local / "latest", Path("runs") / latest)
        try:
            yield out
        except (InputError, NightFailed) as error:
            raise type(error)(out.named(str(error))) from None


def send_model(url: ObjectUrl, own: ObjectStoreSettings, folder: Path) -> str:
    """Send the files of a model, then turn the index to it; a night at work goes on with the one before."""
    bucket = Bucket(url, own)
    name = f"model/{publish.folder_digest(folder)}"
    for path in sorted(folder.iterdir()):
        bucket.put(f"{name}/{path.name}", path)
    opened, _ = bucket_index.read_index(bucket)
    bucket_index.turn(bucket, opened, lambda index: index.with_model(name))
    return f"{url}/{name}"


def cache_folder(url: ObjectUrl, own: ObjectStoreSettings) -> Path:
    """Return where the copies of this place lie: below [object_store] cache, another for another server."""
    name = hashlib.blake2b(f"{server_name()}\0{url}".encode(), digest_size=8).hexdigest()
    return cache_base(own) / name


def _holder(local: Path) -> str:
    """Return this copy's own id; who holds the copy knows that any night of that id is over."""
    file = local / ".holder"
    if not file.is_file():
        write_text(file, uuid.uuid4().hex)
    return file.read_text(encoding="utf-8")
