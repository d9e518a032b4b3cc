"""Published runs of a few files, with and without digests, and how to damage one."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl

from pipeline.storage import publish
from pipeline.storage.run_files import digest_files

FIRST = date(2026, 6, 12)
DAYS = [FIRST + timedelta(days=at) for at in range(3)]
TABLE = pl.DataFrame({"site_id": [f"H{number:05d}" for number in range(500)]})


def publish_run(out: Path, day: date, *, has_digests: bool = True) -> Path:
    """Publish a run of two tables, a database, a page and a private table; return its link."""
    built = publish.building_folder(out, day)
    for folder in ("report", "private"):
        (built / folder).mkdir()
    for name in ("standing", "site_scores", "private/site_contact"):
        TABLE.with_columns(as_of=pl.lit(day)).write_parquet(built / f"{name}.parquet")
    with duckdb.connect(str(built / "nightclamp.duckdb")) as con:
        con.from_arrow(TABLE.to_arrow()).create("standing")
    (built / "report" / "index.html").write_text(f"<p>{day}</p>" * 20)
    record = {"as_of": str(day), "seconds": {}} | ({"files": digest_files(built)} if has_digests else {})
    (built / "run.json").write_text(json.dumps(record))
    return publish.publish(built, out, day)


def publish_runs(out: Path, *, has_digests: bool = True) -> Path:
    """Publish a run of each of DAYS; return OUT."""
    for day in DAYS:
        publish_run(out, day, has_digests=has_digests)
    return out


def run_of(out: Path, day: date, text: str) -> Path:
    """Publish a run that holds one file."""
    built = publish.building_folder(out, day)
    (built / "run.json").write_text(text)
    return publish.publish(built, out, day)


def kept(out: Path) -> list[str]:
    """What the whole runs on the disk say, sorted."""
    return sorted(run.read_text() for run in (out / "runs" / ".whole").glob("*/run.json"))


def folder_bytes(folder: Path) -> dict[str, bytes]:
    """Every file in a folder."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:100])


def zero(path: Path) -> None:
    path.write_bytes(bytes(path.stat().st_size))


def flip(path: Path) -> None:
    """One bit near the beginning, where a table's rows lie."""
    content = bytearray(path.read_bytes())
    content[len(content) // 4] ^= 0x10
    path.write_bytes(content)


def grow(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b" ")


def delete(path: Path) -> None:
    path.unlink()


def become_folder(path: Path) -> None:
    """What can't be opened: root may read any file."""
    path.unlink()
    path.mkdir()


DAMAGES = {
    "cut short": cut, "changed since": flip, "changed": zero, "longer than": grow, "missing": delete,
    "not a file": become_folder,
}  # fmt: skip
