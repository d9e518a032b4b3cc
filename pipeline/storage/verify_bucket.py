"""Whether an OUT in an object store is whole: the runs that latest.json names against their digests, and its store."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from pipeline.core.setting_sections import ObjectStoreSettings
from pipeline.storage import private_files
from pipeline.storage.bucket_index import Index, read_index
from pipeline.storage.layout import CORRECTED
from pipeline.storage.object_store import Bucket, Stored
from pipeline.storage.object_url import ObjectUrl
from pipeline.storage.run_files import FILES, RECORD, Damage, compare_file, read_file, read_record
from pipeline.storage.verify_out import Checked, Problem, run_again

_BESIDE = {
    "store": "delete {}, it is rebuilt",
    CORRECTED: "delete {} and run `nightclamp correct LAKE --out OUT`",
    "dispatch": "run `nightclamp dispatch LAKE --out OUT` again for that night, or delete {}",
}


def verify_bucket(
    url: ObjectUrl,
    own: ObjectStoreSettings,
    checked: Checked,
    *,
    tell: Callable[[str], None] = lambda line: None,
) -> Iterator[Problem]:
    """Yield every problem of an OUT in an object store; one object at a time is on this machine's disk.

    Parameters
    ----------
    url, own
        The place and how to reach it.
    checked
        Counts along.
    tell
        Takes lines of progress.

    Raises
    ------
    InputError
        latest.json is not an index, or the object store refuses.
    NightFailed
        The object store doesn't answer.
    """
    bucket = Bucket(url, own)
    index, _ = read_index(bucket)
    with tempfile.TemporaryDirectory(prefix="nightclamp-") as folder:
        copy = Path(folder) / "copy"
        for day, run in index.runs.items():
            tell(f"the run of {day}")
            checked.runs += 1
            todo = run_again(str(url), day)
            for name, changed in _run(bucket, run, copy, checked):
                yield Problem(f"{run}/{name}", changed, todo)
        yield from _left_over(bucket, index)
        for below, todo in _BESIDE.items():
            tell(f"the {below}")
            for entry in bucket.listed(below):
                checked.files += 1
                if unread := _readable(bucket, entry, copy):
                    told = todo.format(f"{url}/{entry.name}").replace("OUT", str(url))
                    yield Problem(entry.name, unread, told)


def _run(bucket: Bucket, run: str, copy: Path, checked: Checked) -> Iterator[tuple[str, str]]:
    """Yield (file, what is wrong with it) of a run."""
    there = {entry.name.removeprefix(f"{run}/"): entry for entry in bucket.listed(run)}
    if RECORD not in there:
        yield RECORD, "missing"
        return
    folder = copy.parent / "-".join(run.split("/")[1:])  # its name holds the digest of run.json
    folder.mkdir()
    bucket.fetch(there[RECORD], folder / RECORD)
    record = read_record(folder)
    if isinstance(record, Damage):
        yield record.file, record.what
        return
    files = record.get(FILES)
    checked.old_runs += files is None
    checked.files += len(there)
    if files is None:
        found = ((name, _readable(bucket, entry, copy)) for name, entry in there.items())
        yield from ((name, what) for name, what in found if what)
        return
    for name, told in files.items():
        entry = there.get(name)
        if entry is None:
            if not name.startswith(
                f"{private_files.FOLDER}/"
            ):  # [privacy] may keep those where they were made
                yield name, "missing"
            continue
        if entry.size == told["bytes"]:
            bucket.fetch(entry, copy)
        else:
            copy.write_bytes(b"")
        if changed := compare_file(copy, told):
            size = f"{entry.size:,} of {told['bytes']:,} bytes"
            yield name, changed if entry.size == told["bytes"] else f"not as it was published ({size})"


def _readable(bucket: Bucket, entry: Stored, copy: Path) -> str | None:
    kept = copy.with_suffix(Path(entry.name).suffix)
    if kept.suffix not in (".parquet", ".duckdb", ".json"):
        return None
    bucket.fetch(entry, kept)
    return read_file(kept)


def _left_over(bucket: Bucket, index: Index) -> Iterator[Problem]:
    """Yield runs of days that the index doesn't name; those of its days go when the day is published once more."""
    for day in bucket.level("runs")[1]:
        if day not in index.runs:
            yield Problem(
                f"runs/{day}", "a run that latest.json does not name", "nothing needs it, delete it"
            )
