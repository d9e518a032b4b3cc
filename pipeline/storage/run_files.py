"""The files of a run and their digests: `files` of run.json, and whether a run still is what was published.

run.json holds name -> bytes and SHA-256 of every other file of the run, those in private/ too; the folder's name holds
the digest of run.json. Runs of versions before that had no `files`: of them it can only be told what can't be read.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.core.errors import InputError

RECORD, FILES = "run.json", "files"
_NAMED = re.compile(r"\d{4}-\d{2}-\d{2}-([0-9a-f]{12})")
_READABLE = (".parquet", ".duckdb", ".json")


@dataclass(frozen=True)
class Damage:
    """A file of a run, relative to it, and what is wrong with it."""

    file: str
    what: str


def digest_files(run: Path) -> dict[str, dict[str, Any]]:
    """Return name -> {bytes, sha256} of every file in the folder but run.json, sorted."""
    paths = {path.relative_to(run).as_posix(): path for path in run.rglob("*") if path.is_file()}
    return {
        name: {"bytes": path.stat().st_size, "sha256": _sha256(path)}
        for name, path in sorted(paths.items())
        if name != RECORD
    }


def record_digest(run: Path) -> str:
    """Return 12 hexadecimal digits of run.json, which stand for the whole run: it holds the digests of the others."""
    return _short((run / RECORD).read_bytes())


def find_damage(run: Path, names: Collection[str] | None = None) -> list[Damage]:
    """Return what is wrong with run.json and these files of a run, or all of them; nothing where it is whole.

    A file that the run never had is not missing. The run's folder may be a link.
    """
    record = read_record(run)
    if isinstance(record, Damage):
        return [record]
    files = record.get(FILES)
    if files is None:
        return _unreadable(run, names)
    wanted = [name for name in files if names is None or name in names]
    found = ((name, compare_file(run / name, files[name])) for name in wanted)
    return [Damage(name, what) for name, what in found if what]


def read_record(run: Path) -> dict[str, Any] | Damage:
    """Return run.json of a run, or what is wrong with it."""
    try:
        raw = (run / RECORD).read_bytes()
    except OSError as error:
        return Damage(RECORD, _cannot_read(error))
    try:
        record: dict[str, Any] = json.loads(raw)
        is_one = isinstance(record, dict) and isinstance(record["as_of"], str)
        is_one &= FILES not in record or all(
            isinstance(file["bytes"], int) and isinstance(file["sha256"], str)
            for file in record[FILES].values()
        )
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
        is_one = False
    if not is_one:
        return Damage(RECORD, f"not the record of a run ({len(raw):,} bytes)")
    named = _NAMED.fullmatch(run.resolve().name)
    if FILES in record and named and named[1] != _short(raw):
        return Damage(RECORD, "changed since it was published")
    return record


def compare_file(path: Path, told: Mapping[str, Any]) -> str | None:
    """Return what is wrong with a file of which {bytes, sha256} are told; None: nothing."""
    try:
        size = path.stat().st_size
        if not path.is_file():
            return "not a file"
        if size < told["bytes"]:
            return f"cut short ({size:,} of {told['bytes']:,} bytes)"
        if size > told["bytes"]:
            return f"longer than it was ({size:,} instead of {told['bytes']:,} bytes)"
        return None if _sha256(path) == told["sha256"] else "changed since it was published"
    except OSError as error:
        return _cannot_read(error)


def read_file(path: Path) -> str | None:
    """Return why a Parquet, DuckDB or JSON file can't be read whole; None where it can, or is of another kind."""
    try:
        if path.suffix == ".parquet":
            pl.read_parquet(path, glob=False)
        elif path.suffix == ".duckdb":
            with duckdb.connect(str(path), read_only=True) as con:
                con.sql("SHOW TABLES").fetchall()
        elif path.suffix == ".json":
            json.loads(path.read_bytes())
        else:
            path.stat()
    except OSError as error:
        return _cannot_read(error)
    except (
        ValueError,
        RecursionError,
        duckdb.Error,
        pl.exceptions.PolarsError,
        pl.exceptions.PanicException,
    ):
        return f"can't be read ({path.stat().st_size:,} bytes)"
    return None


def refuse_unpublished(out: Path) -> None:
    """Hold that OUT/latest leads to a published run.

    Raises
    ------
    InputError
        It doesn't, or leads to what is not there.
    """
    latest = out / "latest"
    if (latest / RECORD).is_file():
        return
    if latest.is_symlink():
        raise InputError(
            f"{latest}: leads to {os.readlink(latest)}, where no whole run is; run `nightclamp verify {out}`, which"
            " says what to do"
        )
    raise InputError(f"{out}: no published run; run `nightclamp nightly LAKE --out {out}` first")


def require_whole(run: Path, names: Collection[str], out: Path) -> None:
    """Hold that run.json and these files of a published run are what was published.

    Raises
    ------
    InputError
        One isn't: which, and what to do.
    """
    for damage in find_damage(run, names):
        raise InputError(
            f"{run / damage.file}: {damage.what}; run `nightclamp verify {out}`, which says what to do"
        )


def _unreadable(run: Path, names: Collection[str] | None) -> list[Damage]:
    """Return the files of a run without digests that can't be read."""
    paths = {path.relative_to(run).as_posix(): path for path in run.rglob("*") if path.suffix in _READABLE}
    found = (
        (name, read_file(path)) for name, path in sorted(paths.items()) if names is None or name in names
    )
    return [Damage(name, what) for name, what in found if what]


def _short(raw: bytes) -> str:
    return hashlib.blake2b(raw, digest_size=6).hexdigest()


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _cannot_read(error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return "missing"
    return f"can't be read ({(error.strerror or str(error)).lower()})"
