"""Each file of LAKE/utility/ as parsed rows on disk, kept from night to night: an unchanged file isn't read again.

A kept file's name is a digest of the source's name, size, time and tag, of [utility] in lake.toml and of the code that
reads; so whatever changes makes a new one, and what no source has any more is removed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq

from pipeline.core.atomic_files import replacing
from pipeline.core.disk_errors import is_disk_full
from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.lake import Lake, LakeFile
from pipeline.ingest.row_config import Utility
from pipeline.ingest.utility.espi_readings import read_espi
from pipeline.ingest.utility.kept_parts import code_digest
from pipeline.ingest.utility.layout import PARSED
from pipeline.ingest.utility.plain_rows import read_plain

# The modules that a parsed file depends on: of this package, and beside it.
_OWN = (
    "espi_codes.py", "espi_feed.py", "espi_links.py", "espi_readings.py", "layout.py", "parsed_files.py",
    "plain_rows.py", "row_limits.py",
)  # fmt: skip
_SHARED = ("csv_reader.py", "plain_texts.py", "row_config.py", "timestamps.py", "untrusted_parquet.py")


@dataclass(frozen=True)
class ParsedFile:
    """A source file, `number` in the order of arrival, and the Parquet file of its rows (PARSED)."""

    number: int
    file: LakeFile
    path: Path
    was_kept: bool


def parse_files(lake: Lake, sources: list[LakeFile], store: Path, *, workdir: Path) -> list[ParsedFile]:
    """Return every file's parsed rows in `store`, reading only what is not there yet.

    Parameters
    ----------
    lake, sources
        The lake and its utility files in the order of arrival.
    store
        Folder that keeps parsed files; others in it, of sources that are gone, are removed.
    workdir
        Folder for what is needed while a file is read.
    """
    store.mkdir(parents=True, exist_ok=True)
    how = lake.config.utility
    parsed = []
    for number, file in enumerate(sources):
        path = store / f"{_digest(file, how)}.parquet"
        was_kept = path.is_file()
        if not was_kept:
            _parse(lake, file, number, path, workdir)
        parsed.append(ParsedFile(number, file, path, was_kept))
    wanted = {one.path for one in parsed}
    for path in store.glob("*.parquet"):
        if path not in wanted:
            path.unlink()
    return parsed


def _parse(lake: Lake, file: LakeFile, number: int, path: Path, workdir: Path) -> None:
    """Write the file's rows as `path`, whole; of a file that can't be read one row with the reason."""
    with replacing(path) as part:
        try:
            brought = lake.bring_one(file, workdir, number)
            try:
                _write(_read(brought.path, lake.config.utility, workdir), part)
            finally:
                lake.drop([brought])
        except (UnusableFileError, OSError, pl.exceptions.PolarsError) as error:
            if is_disk_full(error):
                raise
            why = str(error) if isinstance(error, UnusableFileError) else _told(error)
            _write(iter([_unread(f"the file {why}")]), part)


def _read(path: Path, how: Utility, workdir: Path) -> Iterator[pl.DataFrame]:
    if path.name.endswith((".xml", ".xml.gz")):
        return read_espi(path, workdir)
    return iter([read_plain(path, how)])


def _write(pieces: Iterator[pl.DataFrame], path: Path) -> None:
    schema = pl.DataFrame(schema=PARSED).to_arrow().schema
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for piece in pieces:
            ordered = piece.sort("usage_point", "interval_start", maintain_order=True)
            writer.write_table(ordered.to_arrow().cast(schema), row_group_size=100_000)


def _unread(why: str) -> pl.DataFrame:
    return pl.DataFrame({"reason": [why]}).select(
        pl.col(name).cast(kind) if name == "reason" else pl.lit(None, dtype=kind).alias(name)
        for name, kind in PARSED.items()
    )


def _told(error: Exception) -> str:
    return f"cannot be read ({' '.join(str(error).split())[:200]}); send it again, whole"


def _digest(file: LakeFile, how: Utility) -> str:
    # only a plain file is mapped by lake.toml
    mapping = "" if ".xml" in file.name[-7:] else how.model_dump_json()
    text = "\0".join((file.name, str(file.size), str(file.mtime_ns), file.tag, mapping, _code()))
    return hashlib.blake2b(text.encode(errors="surrogateescape"), digest_size=16).hexdigest()


@cache
def _code() -> str:
    """Return a digest of the modules that a parsed file depends on."""
    return code_digest("pipeline.ingest.utility", _OWN) + code_digest("pipeline.ingest", _SHARED)
