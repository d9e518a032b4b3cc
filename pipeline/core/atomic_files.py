"""Files that are there whole or not at all: written under a name of their own, kept by the disk, then renamed."""

from __future__ import annotations

import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Literal

import polars as pl


@contextmanager
def replacing(path: Path, *, is_synced: bool = True) -> Iterator[Path]:
    """Give a hidden name beside `path` to write under; when the block ends well, that file takes the name `path`.

    Else what was written is removed, and `path` is as it was. The disk holds the content before it has the name, so
    that a loss of power leaves no half file either; without `is_synced`, as for what can be made again, it may not.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = part_of(path)
    try:
        yield part
        if is_synced:
            sync(part)
        os.replace(part, path)
    except BaseException:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def move_in(made: Path, path: Path) -> None:
    """Move a finished file, of any storage, to `path`, replacing what is there in one step."""
    with replacing(path) as part:
        shutil.move(made, part)


def write_bytes(path: Path, content: bytes, *, mode: int | None = None) -> None:
    """Write `content` as the file `path`, replacing it in one step; with `mode` it never has other permissions."""
    with replacing(path) as part:
        if mode is not None:
            part.touch(mode)
        part.write_bytes(content)


def write_text(path: Path, text: str) -> None:
    """Write `text` as the UTF-8 file `path`, replacing it in one step."""
    write_bytes(path, text.encode("utf-8"))


def write_parquet(
    path: Path,
    frame: pl.DataFrame,
    row_group_rows: int | None = None,
    *,
    compression: Literal["zstd", "lz4"] = "zstd",
    is_synced: bool = True,
) -> None:
    """Write `frame` as the Parquet file `path`, replacing it in one step; the same rows give the same bytes.

    Parameters
    ----------
    path
        The file.
    frame
        Its rows.
    row_group_rows
        Most rows of a row group.
    compression
        zstd for little disk, lz4 for what is read every night.
    is_synced
        As `replacing` takes it.
    """
    level = 3 if compression == "zstd" else None
    with replacing(path, is_synced=is_synced) as part:
        frame.write_parquet(
            part, compression=compression, compression_level=level, row_group_size=row_group_rows
        )


def sync(path: Path) -> None:
    """Have the disk hold a file or a folder as it is now.

    Raises
    ------
    OSError
        The disk could not take what was written.
    """
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Have the disk hold every file and folder in a folder, before it gets its name or a link points at it."""
    for path in (folder, *folder.rglob("*")):
        sync(path)


def part_of(path: Path) -> Path:
    """Return a hidden name beside `path` that no other writer of the same file has: two may be at it at once."""
    return path.with_name(f".{path.name}.{uuid.uuid4().hex[:8]}.part")
