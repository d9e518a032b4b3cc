"""How long past readings take to put right, beside a bare scan of the same days, in the same run.

Some days of some homes are invented; more days are the same again, later, and more homes are copies under new ids. A
night of the last thirty days finds the homes with a fault.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.core.errors import InputError
from pipeline.evaluation.benchmark import run_command, scan_files
from pipeline.evaluation.benchmark_fleet import copy_day, copy_registers
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec
from pipeline.storage.layout import CORRECTED, CORRECTED_LAST

INVENTED_DAYS = 6
_SCANS = 2


@dataclass(frozen=True)
class CorrectionBenchmark:
    """The fleet: `homes`, copies of `distinct` that are simulated, `days` of intervals of `minutes`.

    `fault_share` of them get a fault from the first day on.
    """

    homes: int
    days: int
    minutes: int = 15
    seed: int = 5
    distinct: int = 1000
    workers: int = 2
    fault_share: float = 0.095


@dataclass(frozen=True)
class CorrectionTimes:
    """Seconds of the scan, of `nightclamp correct` from the start of its process, and of doing it again unchanged.

    `rows` are those of the lake, `corrected_rows` those of `corrected_homes` that were written; `peak_mb` is the most
    memory that the process held (resident set) [MB]; `steps` are seconds by step.
    """

    homes: int
    rows: int
    corrected_homes: int
    corrected_rows: int
    scan_s: float
    correct_s: float
    again_s: float
    cpu_s: float
    peak_mb: float
    steps: Mapping[str, float]


def time_correction(request: CorrectionBenchmark, tell: Callable[[str], None]) -> CorrectionTimes:
    """Make a lake, publish a night of it, and time what puts its past readings right.

    Raises
    ------
    InputError
        The size is not a multiple of the simulated homes.
    NightFailed
        A command did not finish.
    """
    copies, left = divmod(request.homes, request.distinct)
    if left or request.homes < 1 or request.days < 1:
        raise InputError(
            f"--homes {request.homes}: choose a multiple of the {request.distinct} that are simulated"
        )
    with TemporaryDirectory(prefix="nightclamp-bench-") as folder:
        root = Path(folder)
        lake, out = root / "lake", root / "out"
        tell(f"{request.homes} homes for {request.days} days at {request.minutes} minutes")
        write_days(request, root / "base", lake, copies=copies)
        run_command("nightly", lake, out, "--rows", "0")
        files = sorted((lake / "intervals").rglob("*.parquet"))
        scan_s, rows = scan_files(files, _SCANS)
        tell(f"scan {scan_s:.1f} s; putting the readings right")
        first, again = (run_command("correct", lake, out) for _ in range(2))
        record = json.loads((out / CORRECTED / CORRECTED_LAST).read_text(encoding="utf-8"))
    return CorrectionTimes(
        request.homes, rows, record["homes"], sum(record["methods"].values()),
        scan_s, first.clock_s, again.clock_s, first.cpu_s, first.peak_mb, record["seconds"],
    )  # fmt: skip


def write_days(request: CorrectionBenchmark, base: Path, lake: Path, *, copies: int) -> None:
    """Write the lake, whose last days are those of `base`, which is simulated, and the days before the same again.

    Parameters
    ----------
    request
        The fleet.
    base, lake
        Where the simulated lake goes for a while, and the big one.
    copies
        How often each home is copied.
    """
    spec = FleetSpec(
        request.distinct, min(INVENTED_DAYS, request.days), request.minutes, request.seed,
        fault_share=request.fault_share, onset_share=0.0,
    )  # fmt: skip
    assert spec.end is not None
    write_lake(spec, base, workers=request.workers)
    (lake / "intervals").mkdir(parents=True)
    copy_registers(base, lake, copies)
    by_day = [spec.end - timedelta(days=back) for back in range(spec.days)]
    for back in range(request.days):
        becomes = spec.end - timedelta(days=back)
        copy_day(base, lake, copies, day=by_day[back % spec.days], becomes=becomes)
    shutil.rmtree(base)
