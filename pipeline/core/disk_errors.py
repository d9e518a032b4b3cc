"""What a disk refuses, in words: no space on which device, its quota used up, read-only, forbidden, broken."""

from __future__ import annotations

import errno
import os
import re
import tempfile
from pathlib import Path

_MOUNTS = Path("/proc/self/mountinfo")
_CODES = (
    errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM, errno.EIO, errno.EFBIG, errno.ESTALE,
)  # fmt: skip
# Polars and DuckDB put the system's words, and DuckDB the file's name, into a text of their own.
_QUOTED = re.compile(r'"(/[^"\\]+)\\?"')
_LONGEST = 300
_OCTAL = re.compile(r"\\([0-7]{3})")


def tell_disk_error(error: BaseException, near: Path) -> str | None:
    """Return what the disk refused, in words; None where it isn't the disk.

    Parameters
    ----------
    error
        Of the system, Polars or DuckDB.
    near
        A place on the disk that was probably meant, where the error names no file.
    """
    code = _code_of(error)
    if code is None:
        return None
    file = _file_of(error)
    if code == errno.ENOSPC:
        place = file or _fullest(near)
        return f"no {_what_is_missing(place)} on {where_mounted(place)}"
    device, named = where_mounted(file or near), file or near
    return {
        errno.EDQUOT: f"the quota on {device} is used up",
        errno.EROFS: f"{named}: {device} is read-only",
        errno.EIO: f"{named}: input/output error on {device}: check that disk",
        errno.EFBIG: f"{named}: larger than a file may be here (ulimit -f, or the limit of {device})",
        errno.ESTALE: f"{named}: {device} was replaced meanwhile (stale file handle)",
    }.get(code, f"{named}: permission denied")


def tell_failure(error: BaseException, near: Path) -> str:
    """Return any error of the system, Polars, DuckDB or the memory in words; `near` as `tell_disk_error` takes it."""
    told = tell_disk_error(error, near)
    if told is None and isinstance(error, OSError) and error.strerror:
        told = f"{_file_of(error) or near}: {error.strerror}"
    return told or f"{type(error).__name__}: {str(error)[:_LONGEST]}"


def is_disk_full(error: BaseException) -> bool:
    """Tell whether there is no room to write any more: then no file that was being read is to blame."""
    return _code_of(error) in (errno.ENOSPC, errno.EDQUOT)


def where_mounted(path: Path) -> str:
    """Return "DEVICE (mounted at FOLDER)" of the disk on which a file lies or would lie."""
    place = _there(path).resolve()
    number = place.stat().st_dev
    is_above = [entry for entry in _mounts() if place == entry[1] or entry[1] in place.parents]
    # Of folders that are mounted over each other the last one counts; some file systems number files otherwise.
    same = [entry for entry in is_above if entry[0] == number] or is_above
    if same:
        _, folder, device = max(reversed(same), key=lambda entry: len(entry[1].parts))
        return f"{device} (mounted at {folder})"
    while not place.is_mount() and place != place.parent:
        place = place.parent
    return f"the disk mounted at {place}"


def _there(path: Path) -> Path:
    """Return the path, or the nearest folder above it that is there."""
    place = path.absolute()
    while not os.path.exists(place) and place != place.parent:
        place = place.parent
    return place


def _mounts() -> list[tuple[int, Path, str]]:
    """Return (device number, folder, device) of what is mounted; nothing where the system doesn't say."""
    try:
        lines = _MOUNTS.read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except OSError:
        return []
    mounts = []
    for line in lines:
        left, _, right = line.partition(" - ")
        numbers, folder, device = left.split()[2], left.split()[4], right.split()[1]
        major, minor = (int(number) for number in numbers.split(":"))
        mounts.append((os.makedev(major, minor), Path(_plain(folder)), _plain(device)))
    return mounts


def _plain(text: str) -> str:
    """Return a name of mountinfo, which writes blanks as octal numbers."""
    return _OCTAL.sub(lambda found: chr(int(found[1], 8)), text)


def _code_of(error: BaseException) -> int | None:
    if isinstance(error, OSError) and error.errno is not None:
        return error.errno if error.errno in _CODES else None
    return next((code for code in _CODES if os.strerror(code).lower() in str(error).lower()), None)


def _file_of(error: BaseException) -> Path | None:
    """Return the file that the error names; of two, as of a renaming, the new name."""
    for name in ("filename2", "filename"):
        named = getattr(error, name, None)
        if isinstance(named, str | bytes):
            return Path(os.fsdecode(named))
    quoted = _QUOTED.search(str(error))
    return Path(quoted[1]) if quoted else None


def _fullest(near: Path) -> Path:
    """Return the place with the least room: near, or where scratch files go."""
    places = [near, Path(tempfile.gettempdir())]
    return min(places, key=_free_share)


def _free_share(path: Path) -> float:
    room = os.statvfs(_there(path))
    return min(room.f_bavail / max(room.f_blocks, 1), room.f_favail / room.f_files if room.f_files else 1.0)


def _what_is_missing(path: Path) -> str:
    room = os.statvfs(_there(path))
    return "free inodes" if room.f_files and not room.f_favail and room.f_bavail else "space"
