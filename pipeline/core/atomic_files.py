"""Files that are there whole or not at all: written under a name of their own, then renamed."""

from __future__ import annotations

import os
import shutil
import uuid
from pathlib import Path
from typing import Literal

import polars as pl


def move_in(made: Path, path: Path) -> None:
    """Move a finished file, of any storage, to `path`, replacing what is there in one step."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = part_of(path)
    shutil.move(made, part)
    os.replace(part, path)


def write_bytes(path: Path, content: bytes) -> None:
    """Write `content` as the file `path`, replacing it in one step."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = part_of(path)
    part.write_bytes(content)
    os.replace(part, path)


def write_parquet(
    path: Path,
    frame: pl.DataFrame,
    row_group_rows: int | None = None,
    *,
    compression: Literal["zstd", "lz4"] = "zstd",
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
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = part_of(path)
    level = 3 if compression == "zstd" else None
    frame.write_parquet(part, compression=compression, compression_level=level, row_group_size=row_group_rows)
    os.replace(part, path)


def part_of(path: Path) -> Path:
    """Return a hidden name beside `path` that no other writer of the same file has: two may be at it at once."""
    return path.with_name(f".{path.name}.{uuid.uuid4().hex[:8]}.part")
