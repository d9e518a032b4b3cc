"""How long a night takes beside a bare scan of the same files, in the same run: machines are noisy, ratios less so."""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import duckdb

from pipeline import warehouse
from pipeline.errors import NightFailed
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

SCAN_TIMES = 3


@dataclass(frozen=True)
class BenchRow:
    """One fleet: seconds of the scan and of the night, what the night took from the start of its process."""

    homes: int
    rows: int
    scan_s: float
    night_s: float
    peak_mb: float

    @property
    def ratio(self) -> float:
        """The night over the scan."""
        return self.night_s / self.scan_s


def bench(
    homes: int, history_days: int, minutes: int, seed: int, workers: int, tell: Callable[[str], None]
) -> BenchRow:
    """Make a fleet, run its history once, then time one new night on top of that store.

    Raises
    ------
    NightFailed
        A night did not finish.
    """
    with tempfile.TemporaryDirectory(prefix="nightclamp-bench-") as folder:
        root = Path(folder)
        lake, out = root / "lake", root / "out"
        spec = FleetSpec(homes, history_days + 1, minutes, seed)
        assert spec.end is not None
        tell(f"{homes} homes: simulating {spec.days} days at {minutes} minutes")
        write_lake(spec, lake, workers=workers)
        newest = lake / "intervals" / f"date={spec.end}"
        aside = root / newest.name
        newest.rename(aside)
        tell(f"{homes} homes: {history_days} days into the store")
        _night(lake, out)
        shutil.move(aside, newest)
        files = sorted(str(path) for path in newest.glob("*.parquet"))
        scan_s, rows = _scan(files)
        tell(f"{homes} homes: the night of {spec.end}, after {spec.end - timedelta(days=1)}")
        start = time.perf_counter()
        peak_mb = _night(lake, out)
        return BenchRow(homes, rows, scan_s, time.perf_counter() - start, peak_mb)


def _scan(files: list[str]) -> tuple[float, int]:
    """Return the best time of summing every number column of the files [s], and their rows."""
    best, rows = float("inf"), 0
    for _ in range(SCAN_TIMES):
        con = duckdb.connect(config={"threads": 2})
        start = time.perf_counter()
        rows = int(warehouse.query(con, "bench_scan", {"files": files})["n"][0])
        best = min(best, time.perf_counter() - start)
        con.close()
    return best, rows


def _night(lake: Path, out: Path) -> float:
    """Run the command in a process of its own; return the peak memory of such processes so far [MB]."""
    command = [sys.executable, "-m", "pipeline.cli", "nightly", str(lake), "--out", str(out), "--rows", "0"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NightFailed(f"the night ended with {done.returncode}: {done.stderr.strip()[-300:]}")
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
