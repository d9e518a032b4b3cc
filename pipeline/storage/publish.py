"""Publishes a night whole or not at all: built beside, then `runs/DATE` and `latest` turned by renaming a link.

    OUT/runs/.whole/DATE-xxxxxxxx/   the run itself, never changed after it is there
    OUT/runs/DATE  -> .whole/DATE-xxxxxxxx
    OUT/latest     -> runs/DATE

`latest` leads to the run of the newest day, and goes back to an earlier one only where somebody asks for it.

A killed night leaves at most a half-built folder under another name, which the next one removes; one that fails
removes it itself. The name of a run's folder holds the digest of its run.json, which holds those of the other files.
A run that is replaced by one of the same day stays until that day is published once more, for whoever still reads it.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import date
from pathlib import Path

from pipeline.core.atomic_files import sync, sync_folder
from pipeline.core.errors import NightFailed
from pipeline.storage.odd_out import LOCK, refuse_odd_out
from pipeline.storage.run_files import find_damage, record_digest

WHOLE, BUILDING = ".whole", ".building"


@contextmanager
def only_night(out: Path, shown: str = "") -> Iterator[None]:
    """Hold OUT, which people know as `shown`, for one night; the lock goes with the process, however it ends.

    Raises
    ------
    InputError
        OUT is not one, or its lock is no plain file; nothing was changed.
    NightFailed
        Another night is at work in this folder.
    OSError
        The folder can't be written.
    """
    refuse_odd_out(out)
    out.mkdir(parents=True, exist_ok=True)
    lock = os.open(out / LOCK, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise NightFailed(
                f"{shown or out}: another night is at work here; wait for it or choose another --out"
            ) from error
        yield
    finally:
        os.close(lock)


def building_folder(out: Path, day: date) -> Path:
    """Return an empty folder to build the run of `day` in, after removing what killed nights left."""
    runs = out / "runs"
    runs.mkdir(parents=True, exist_ok=True)
    for left in runs.glob(f"{BUILDING}-*"):
        shutil.rmtree(left)
    folder = runs / f"{BUILDING}-{day}"
    folder.mkdir()
    return folder


def remove_building(out: Path) -> None:
    """Remove what a night that failed has built, and the folders that it made for it."""
    runs = out / "runs"
    for left in runs.glob(f"{BUILDING}-*"):
        shutil.rmtree(left, ignore_errors=True)
    for folder in (runs / WHOLE, runs):
        with suppress(OSError):  # it has runs, or was never made
            folder.rmdir()


def publish(built: Path, out: Path, day: date, *, turn_latest: bool = True) -> Path:
    """Turn `runs/DATE` to a finished folder, and `latest` to `runs/DATE`; return where the run is now.

    Parameters
    ----------
    built
        The folder, below `out`; it has a run.json.
    out
        OUT.
    day
        The night's UTC day.
    turn_latest
        Whether `latest` is turned; else it stays.

    Raises
    ------
    OSError
        The disk refuses: the links are as they were.
    """
    folders, place = out / "runs" / WHOLE, out / "runs" / str(day)
    folders.mkdir(exist_ok=True)
    sync_folder(built)
    target = folders / f"{day}-{record_digest(built)}"
    replaced = os.readlink(place) if place.is_symlink() else None
    try:
        _move(built, target)
        turn(place, Path(WHOLE) / target.name)
        if turn_latest:
            turn(out / "latest", Path("runs") / str(day))
    except OSError:
        _take_back(place, replaced, target)
        raise
    kept = {target.name, replaced and Path(replaced).name}
    for older in folders.glob(f"{day}-*"):
        if older.name not in kept:
            shutil.rmtree(older, ignore_errors=True)  # the night is published all the same
    with suppress(OSError):
        for folder in (folders, out / "runs", out):
            sync(folder)
    return place


def _move(built: Path, target: Path) -> None:
    """Give the built folder its name; the same run that is there already stays if it is whole."""
    if target.exists() and not find_damage(target):
        shutil.rmtree(built)
        return
    if target.exists():
        target.rename(built.with_name(f"{built.name}-replaced"))
    built.rename(target)


def _take_back(place: Path, replaced: str | None, target: Path) -> None:
    """Have the day's link as it was before it was turned to `target`, and remove that."""
    with suppress(OSError):
        if replaced is None:
            place.unlink(missing_ok=True)
        elif os.readlink(place) != replaced:
            turn(place, Path(replaced))
        if replaced is None or Path(replaced).name != target.name:
            shutil.rmtree(target, ignore_errors=True)


def latest_day(out: Path) -> date | None:
    """Return the day of the run that `latest` leads to; None where it leads to none."""
    link = out / "latest"
    if not (link / "run.json").is_file():
        return None
    try:
        return date.fromisoformat(link.readlink().name)
    except (OSError, ValueError):  # no link of ours: whoever copied OUT got a folder
        return None


def turn(link: Path, target: Path) -> None:
    """Turn a link to `target`, relative to its folder, in one atomic step."""
    part = link.with_name(f".{link.name}.turning")
    part.unlink(missing_ok=True)
    try:
        part.symlink_to(target)
        os.replace(part, link)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def folder_digest(folder: Path) -> str:
    """Return 12 hexadecimal digits that stand for the names and contents of all files in a folder."""
    digest = hashlib.blake2b(digest_size=6)
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        digest.update(str(path.relative_to(folder)).encode())
        with path.open("rb") as file:
            hashlib.file_digest(file, lambda: digest)  # goes on with this one
    return digest.hexdigest()
