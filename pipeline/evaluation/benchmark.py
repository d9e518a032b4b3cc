"""How long a night takes beside a bare scan of the same files, in the same run: machines are noisy, ratios less so."""

from __future__ import annotations

import importlib.util
import json
import shutil
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import numpy as np
import polars as pl

import pipeline
from pipeline.core import sql_runner
from pipeline.core.errors import InputError, NightFailed
from pipeline.core.settings import Settings
from pipeline.evaluation.benchmark_fleet import copy_day, copy_registers, lay_history
from pipeline.evaluation.process_usage import Watched, watch
from pipeline.features.day_statistics import site_sky
from pipeline.features.day_store import Store
from pipeline.ingest.intervals import load_day
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.nightly.steps import Step
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

SCAN_TIMES = 3
Tell = Callable[[str], None]


@dataclass(frozen=True)
class BenchRow:
    """One fleet: seconds of the scan, of the night from the start of its process and of its steps, and of the oracle.

    `peak_mb` is the most memory that the night's process held (resident set) [MB]; `oracle_s` is None where not run.
    """

    homes: int
    rows: int
    scan_s: float
    night_s: float
    cpu_s: float
    peak_mb: float
    steps: Mapping[str, float]
    oracle_s: float | None

    @property
    def ratio(self) -> float:
        """The night over the scan."""
        return self.night_s / self.scan_s

    @property
    def oracle_ratio(self) -> float | None:
        """The oracle's SQL over the night's intake of the same day, which checks every row and comes to the same."""
        return None if self.oracle_s is None else self.oracle_s / self.steps[Step.TAKE_IN]


@dataclass(frozen=True)
class BenchRequest:
    """What to measure: fleet sizes, days of history, interval [min], how many homes are simulated and not copied.

    The oracle (tests/oracle, of a checkout) is run on fleets of up to `oracle_homes`.
    """

    homes: tuple[int, ...]
    history_days: int = 30
    minutes: int = 5
    seed: int = 5
    distinct: int = 1000
    oracle_homes: int = 10_000
    workers: int = 2


def bench(request: BenchRequest, settings: Settings, tell: Tell) -> list[BenchRow]:
    """Make fleets of these sizes, lay their history into a store, and time one new night of each on top of it.

    Raises
    ------
    InputError
        A size is not a multiple of the simulated homes.
    NightFailed
        A night did not finish.
    """
    if not request.homes or min(request.homes) < 1:
        raise InputError(f"--homes {list(request.homes)}: give at least one size, of at least one home")
    distinct = min(request.distinct, *request.homes)
    for size in request.homes:
        if size % distinct:
            raise InputError(f"--homes {size}: choose a multiple of the {distinct} homes that are simulated")
    with TemporaryDirectory(prefix="nightclamp-bench-") as folder:
        root = Path(folder)
        spec = FleetSpec(distinct, request.history_days + 1, request.minutes, request.seed)
        assert spec.end is not None
        days = [spec.end - timedelta(days=back) for back in range(request.history_days, 0, -1)]
        tell(
            f"{distinct} homes simulated for {spec.days} days at {spec.minutes} minutes; bigger fleets are copies"
        )
        write_lake(spec, root / "lake", workers=request.workers)
        newest = root / "lake" / "intervals" / f"date={spec.end}"
        newest.rename(root / newest.name)
        start = time.perf_counter()
        _night(root / "lake", root / "out")
        tell(f"{distinct} homes: {len(days)} days into the store in {time.perf_counter() - start:.1f} s")
        (root / newest.name).rename(newest)
        return [
            _time(root, size, size // distinct, spec.end, days, request, settings, tell)
            for size in request.homes
        ]


def exponent(rows: Sequence[BenchRow]) -> float | None:
    """Return b of night_s ~ homes^b, least squares over the logarithms; None with a single size."""
    if len({row.homes for row in rows}) < 2:
        return None
    sizes, seconds = (np.log([getattr(row, name) for row in rows]) for name in ("homes", "night_s"))
    return float(np.polyfit(sizes, seconds, 1)[0])


def _time(
    root: Path,
    homes: int,
    copies: int,
    day: date,
    days: list[date],
    request: BenchRequest,
    settings: Settings,
    tell: Tell,
) -> BenchRow:
    lake, out = root / f"lake-{homes}", root / f"out-{homes}"
    (lake / "intervals").mkdir(parents=True)
    copy_registers(root / "lake", lake, copies)
    copy_day(root / "lake", lake, copies, day)
    lay_history(
        root / "lake", Store(root / "out" / "store"), lake, Store(out / "store"), copies, days, settings
    )
    _night(lake, out, "--as-of", str(days[-1]))
    files = sorted((lake / "intervals" / f"date={day}").glob("*.parquet"))
    scan_s, rows = _scan(files)
    night = _night(lake, out)
    steps = json.loads((out / "latest" / "run.json").read_text(encoding="utf-8"))["seconds"]
    oracle_s = _oracle(lake, day, root, settings) if homes <= request.oracle_homes else None
    shutil.rmtree(lake)
    shutil.rmtree(out)
    tell(f"{homes} homes: scan {scan_s:.2f} s, night {night.clock_s:.1f} s")
    return BenchRow(homes, rows, scan_s, night.clock_s, night.cpu_s, night.peak_mb, steps, oracle_s)


def _scan(files: Sequence[Path]) -> tuple[float, int]:
    """Return the best time of summing every number column of the files [s], and their rows."""
    best, rows = float("inf"), 0
    for _ in range(SCAN_TIMES):
        con = duckdb.connect(config={"threads": 2})
        start = time.perf_counter()
        names = [sql_runner.as_named(path) for path in files]
        scanned: pl.DataFrame = sql_runner.query(con, "bench_scan", {"files": names})
        best = min(best, time.perf_counter() - start)
        rows = int(scanned["n"][0])
        con.close()
    return best, rows


def _oracle(lake_folder: Path, day: date, root: Path, settings: Settings) -> float | None:
    """Return the seconds in which the tests' SQL works a day out of its sorted rows; None without a checkout."""
    path = Path(pipeline.__file__).parents[1] / "tests" / "oracle" / "day_oracle.py"
    spec = importlib.util.spec_from_file_location("day_oracle", path)
    if not path.is_file() or spec is None or spec.loader is None:
        return None
    oracle = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(oracle)
    lake = open_lake(lake_folder)
    registers = read_registers(lake, day)
    with closing(sql_runner.connect(root, settings.engine)) as con:
        load_day(con, lake, day, registers=registers, settings=settings, workdir=root / "work")
        start = time.perf_counter()
        oracle.build_day(con, site_sky(registers.sites, settings.day), settings.day, day)
        return time.perf_counter() - start


def _night(lake: Path, out: Path, *options: str) -> Watched:
    """Run the command in a process of its own."""
    command = [
        sys.executable,
        "-m",
        "pipeline.commands.cli",
        "nightly",
        str(lake),
        "--out",
        str(out),
        "--rows",
        "0",
    ]
    log = out.with_suffix(".log")
    took = watch([*command, *options], log)
    if took.status not in (0, 3):  # 3 is an alarm beside a published night
        raise NightFailed(f"the night ended with {took.status}: {log.read_text().strip()[-300:]}")
    return took
