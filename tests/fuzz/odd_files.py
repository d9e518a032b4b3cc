"""Files that are no such file: what may lie in a lake, or be named, in place of what should.

`python tests/fuzz/odd_files.py [EVERY]` puts each (or each so many-th) of them in place of each file and runs `check`
and the night: done with rejects, or one line, and never a wait.
"""

from __future__ import annotations

import io
import os
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

_HERE = Path(__file__).parent
sys.path[:0] = [str(_HERE), str(_HERE.parent / "scenarios"), str(_HERE.parents[1])]

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
from command_line import run_command
from lakes import DAY, build_lake, put, rows

_TABLE = pa.table({"site_id": ["a"], "nested": [[{"a": 1}]], "l1_w": [[1.0]]})


def _parquet(table: pa.Table = _TABLE) -> bytes:
    out = io.BytesIO()
    pq.write_table(table, out)
    return out.getvalue()


CONTENTS: dict[str, Callable[[bytes], bytes]] = {
    "empty": lambda good: b"",
    "blank lines": lambda good: b"\n\r\n \n",
    "binary": lambda good: bytes(range(256)) * 40,
    "mark in front": lambda good: b"\xef\xbb\xbf" + good,
    "utf-16": lambda good: good.decode("utf-8", "replace").encode("utf-16"),
    "latin-1": lambda good: good + "\xe9".encode("latin-1"),
    "nul bytes": lambda good: good.replace(b"a", b"\0"),
    "one name twice": lambda good: b"site_id,site_id,x\n1,2,3\n",
    "no header": lambda good: good.split(b"\n", 1)[-1],
    "header alone": lambda good: good.split(b"\n", 1)[0] + b"\n",
    "a cell of a million letters": lambda good: good + b"x" * 1_000_000 + b",1\n",
    "a line of a million fields": lambda good: good + b"," * 1_000_000 + b"\n",
    "quotes never closed": lambda good: good + b'"a,b\n' * 3,
    "nested Parquet": lambda good: _parquet(),
    "truncated Parquet": lambda good: _parquet()[:-20],
    "Parquet's letters alone": lambda good: b"PAR1PAR1",
    "cut": lambda good: good[: len(good) // 2],
}
THINGS: dict[str, Callable[[Path], object]] = {
    "a folder": Path.mkdir,
    "a pipe": lambda path: os.mkfifo(path),
    "a link to nothing": lambda path: path.symlink_to(path.with_name("gone")),
    "a link to itself": lambda path: path.symlink_to(path),
    "a device": lambda path: path.symlink_to("/dev/zero"),
}
REGISTERS = ("sites", "crews", "visits", "trainings", "safety_calls", "meters")
DAY_FILE = f"intervals/date={DAY}/2"
FILES = (
    *(f"{table}{suffix}" for table in REGISTERS for suffix in (".csv", ".parquet")), "lake.toml",
    *(f"{DAY_FILE}{suffix}" for suffix in (".csv", ".parquet", ".csv.gz")),
    "utility/1.xml", "utility/1.csv", "utility/1.xml.gz", "utility",
)  # fmt: skip


def good_lake(root: Path) -> Path:
    """A small lake with every register."""
    put(build_lake(root), "1.parquet", pl.concat([rows("a"), rows("b")]))
    (root / "trainings.csv").write_text("crew_id,trained_on,topic\nc1,2025-05-01,dead\n")
    (root / "safety_calls.csv").write_text("site_id,called_on,repaired_on,note\na,2025-05-01,,x\n")
    (root / "meters.csv").write_text("site_id,usage_point,kind\na,u1,net\n")
    return root


def cases() -> Iterator[tuple[str, str]]:
    """Each file with each thing that may stand in its place."""
    for name in FILES:
        yield from ((name, what) for what in (*CONTENTS, *THINGS) if name != "utility" or what in THINGS)


def lay(root: Path, name: str, what: str) -> None:
    """Put the thing in the file's place; of a register in one format the other is taken away."""
    path = root / name
    path.parent.mkdir(exist_ok=True)
    good = (
        path.with_suffix(".csv").read_bytes() if path.with_suffix(".csv").is_file() else b"site_id,x\na,1\n"
    )
    for suffix in (".csv", ".parquet"):
        if path.stem in REGISTERS:
            path.with_suffix(suffix).unlink(missing_ok=True)
    if what in THINGS:
        THINGS[what](path)
    else:
        path.write_bytes(CONTENTS[what](good))


def run(*words: str | Path) -> tuple[int, str, str]:
    """Run `nightclamp` here: exit status, the first line of what it said, and the one line it complained in."""
    status, out, err = run_command(*words)
    told = [line for line in err.splitlines() if line.startswith("nightclamp: ")]
    if status in (1, 2) and not (words[0] == "check" and "problem" in out):
        assert len(told) == 1, told
        assert len(told[0]) < 1000, len(told[0])
    return status, out, "".join(told)


def try_case(
    case: tuple[str, str], good: Path, folder: Path, commands: tuple[str, ...]
) -> list[tuple[int, str]]:
    """Return exit status and complaint of each of the commands."""
    root, out = folder / "lake", folder / "out"
    for path in (root, out):
        shutil.rmtree(path, ignore_errors=True)
    shutil.copytree(good, root)
    lay(root, *case)
    told = []
    for name in commands:
        words = [name, root, *(["--all-days"] if name == "check" else ["--out", out])]
        status, _, complaint = run(*words)
        told.append((status, complaint))
    return told


def main() -> int:
    """Run all cases; exit status 1 with a finding."""
    became: Counter[str] = Counter()
    findings = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        good = good_lake(folder / "good")
        for case in list(cases())[:: int(sys.argv[1]) if sys.argv[1:] else 1]:
            start = time.perf_counter()
            try:
                told = try_case(case, good, folder, ("check", "nightly"))
                became[f"check {told[0][0]}, nightly {told[1][0]}"] += 1
                if 1 in (told[0][0], told[1][0]):
                    print(f"failed: {case}: {told}", flush=True)
            except Exception as error:
                findings += 1
                print(f"FINDING: {case}: {error!r:.600}", flush=True)
            if (took := time.perf_counter() - start) > 60:
                print(f"slow: {case}: {took:.0f} s", flush=True)
    print(dict(became))
    return int(findings > 0)


if __name__ == "__main__":
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    sys.exit(main())
