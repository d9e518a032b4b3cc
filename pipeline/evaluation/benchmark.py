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

import pipeline
from pipeline.core import sql_runner
from pipeline.core.errors import InputError, NightFailed
from pipeline.core.settings import Settings
from pipeline.core.steps import Step
from pipeline.evaluation.benchmark_fleet import copy_day, copy_registers, write_history
from pipeline.evaluation.process_usage import Usage, measure_command
from pipeline.features.day_statistics import site_sky
from pipeline.features.day_store import Store
from pipeline.ingest.intervals import load_day
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

SCAN_TIMES = 3


@dataclass(frozen=True)
class BenchmarkRow:
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
class BenchmarkRequest:
    """What to measure: fleet sizes, days of history, interval [min], how many homes are simulated and not copied.

    `service` is that of all homes (None: what North American homes have).

    The oracle (tests/oracle, of a checkout) is run on fleets of up to `oracle_homes`.
    """

    homes: tuple[int, ...]
    history_days: int = 30
    minutes: int = 5
    seed: int = 5
    distinct: int = 1000
    oracle_homes: int = 10_000
    workers: int = 2
    service: str | None = None


def time_fleets(
    request: BenchmarkRequest, settings: Settings, tell: Callable[[str], None]
) -> list[BenchmarkRow]:
    """Make fleets of these sizes, put their history into a store, and time one new night of each on top of it.

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
        spec = FleetSpec(
            distinct, request.history_days + 1, request.minutes, request.seed, service=request.service
        )
        assert spec.end is not None
        days = [spec.end - timedelta(days=back) for back in range(request.history_days, -1, -1)]
        tell(
            f"{distinct} homes simulated for {spec.days} days at {spec.minutes} minutes; bigger fleets are copies"
        )
        write_lake(spec, root / "lake", workers=request.workers)
        newest = root / "lake" / "intervals" / f"date={spec.end}"
        newest.rename(root / newest.name)
        start = time.perf_counter()
        _run_night(root / "lake", root / "out")
        tell(f"{distinct} homes: {len(days) - 1} days into the store in {time.perf_counter() - start:.1f} s")
        (root / newest.name).rename(newest)
        rows = []
        for size in request.homes:
            with_oracle = size <= request.oracle_homes
            rows.append(_time_fleet(root, size // distinct, days, settings, with_oracle=with_oracle))
            tell(f"{rows[-1].homes} homes: scan {rows[-1].scan_s:.2f} s, night {rows[-1].night_s:.1f} s")
        return rows


def growth_exponent(rows: Sequence[BenchmarkRow]) -> float | None:
    """Return b of night_s ~ homes^b, least squares over the logarithms; None with a single size."""
    if len({row.homes for row in rows}) < 2:
        return None
    sizes, seconds = (np.log([getattr(row, name) for row in rows]) for name in ("homes", "night_s"))
    return float(np.polyfit(sizes, seconds, 1)[0])


def _time_fleet(
    root: Path, copies: int, days: list[date], settings: Settings, *, with_oracle: bool
) -> BenchmarkRow:
    lake, out, day = root / f"lake-{copies}", root / f"out-{copies}", days[-1]
    (lake / "intervals").mkdir(parents=True)
    homes = copy_registers(root / "lake", lake, copies)
    copy_day(root / "lake", lake, copies, day=day)
    stores = Store(root / "out" / "store"), Store(out / "store")
    write_history((root / "lake", stores[0]), (lake, stores[1]), copies, days=days[:-1], settings=settings)
    _run_night(lake, out, "--as-of", str(days[-2]))
    scan_s, count = scan_files(sorted((lake / "intervals" / f"date={day}").glob("*.parquet")))
    night = _run_night(lake, out)
    steps = json.loads((out / "latest" / "run.json").read_text(encoding="utf-8"))["seconds"]
    oracle_s = _time_oracle(lake, day, root, settings) if with_oracle else None
    shutil.rmtree(lake)
    shutil.rmtree(out)
    return BenchmarkRow(homes, count, scan_s, night.clock_s, night.cpu_s, night.peak_mb, steps, oracle_s)


def scan_files(files: Sequence[Path], times: int = SCAN_TIMES) -> tuple[float, int]:
    """Return the best time of summing every number column of the files [s], and their rows."""
    seconds = []
    names = [sql_runner.as_named(path) for path in files]
    for _ in range(times):
        with closing(duckdb.connect(config={"threads": 2})) as con:
            start = time.perf_counter()
            scanned = sql_runner.query(con, "bench_scan", {"files": names})
            seconds.append(time.perf_counter() - start)
    return min(seconds), int(scanned["n"][0])


def _time_oracle(lake_folder: Path, day: date, root: Path, settings: Settings) -> float | None:
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


def _run_night(lake: Path, out: Path, *options: str) -> Usage:
    return run_command("nightly", lake, out, "--rows", "0", *options)


def run_command(name: str, lake: Path, out: Path, *options: str) -> Usage:
    """Run a command of LAKE and OUT in a process of its own.

    Parameters
    ----------
    name
        The command.
    lake, out
        What it works on.
    options
        More words of its command line.

    Raises
    ------
    NightFailed
        It didn't finish.
    """
    log = out.with_suffix(".log")
    words = [sys.executable, "-m", "pipeline.commands.cli", name, str(lake), "--out", str(out), *options]
    usage = measure_command(words, log)
    if usage.status not in (0, 3):  # 3 is an alarm beside a published night
        raise NightFailed(f"`{name}` ended with {usage.status}: {log.read_text().strip()[-300:]}")
    return usage
