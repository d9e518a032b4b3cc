"""An OUT that isn't one is refused before anything in it is touched: one line, what is odd and what to do."""

from __future__ import annotations

import os
import stat
from datetime import date
from pathlib import Path

from pipeline.core.errors import InputError

LOCK = ".night.lock"
# Of a lake what is read by listing folders: a night's own files would come back as the fleet's.
_LISTED = ("intervals", "utility")
# Of OUT what nights list and tidy up.
_TIDIED = ("runs", "store", "corrected", "orders", "dispatch")


def refuse_odd_out(out: Path) -> None:
    """Hold that a night may work in OUT: a folder, or nothing yet, whose links and lock are what nights make.

    Raises
    ------
    InputError
        OUT or something in it is of another kind.
    """
    if os.path.lexists(out) and not out.is_dir():
        raise InputError(f"{out}: not a folder; remove it, or choose another --out")
    if (kind := _kind(out / LOCK)) not in ("", "file"):
        raise InputError(f"{out / LOCK}: a {kind}, not the lock of a night; remove it")
    if (kind := _kind(out / "latest")) not in ("", "link"):
        raise InputError(
            f"{out / 'latest'}: a {kind}, where nights keep a link to the newest run; move it away, or choose"
            " another --out"
        )
    for folder in (out / "runs", out / "runs" / ".whole"):
        kind = _kind(folder)
        if kind not in ("", "folder"):
            leads = f" to {os.readlink(folder)}" if kind == "link" else ""
            raise InputError(
                f"{folder}: a {kind}{leads}, where nights keep their runs; put a folder there, or choose another --out"
            )


def refuse_taken_day(out: Path, day: date) -> None:
    """Hold that the run of this day can be published: its place is free, or a link that can be turned.

    Raises
    ------
    InputError
        A file or folder of another origin has its name.
    """
    place = out / "runs" / str(day)
    if (kind := _kind(place)) not in ("", "link"):
        raise InputError(f"{place}: a {kind}, where nights keep a link to the run of that day; move it away")


def refuse_inside(lake: Path, out: Path) -> None:
    """Hold that a night's results don't lie among the lake's files, nor the lake among its results.

    Raises
    ------
    InputError
        One lies in the other.
    """
    lake_root, out_root = (Path(os.path.realpath(path)) for path in (lake, out))  # a link to itself too
    for name in _LISTED:
        if (folder := lake_root / name) in (out_root, *out_root.parents):
            raise InputError(
                f"--out {out}: lies in {folder}, where the lake's files are; choose a folder beside it"
            )
    for name in _TIDIED:
        if (folder := out_root / name) in (lake_root, *lake_root.parents):
            raise InputError(
                f"{lake}: lies in {folder}, which nights tidy up; choose another --out or move the lake"
            )


def _kind(path: Path) -> str:
    """Return what lies there: "link", "folder", "file", "special file", "" for nothing."""
    try:
        mode = path.lstat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return ""
    kinds = {"link": stat.S_ISLNK, "folder": stat.S_ISDIR, "file": stat.S_ISREG}
    return next((kind for kind, is_it in kinds.items() if is_it(mode)), "special file")
