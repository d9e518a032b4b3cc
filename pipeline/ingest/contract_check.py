"""Is this lake in the contract? Says one line a problem, worst first within each part."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

from pipeline.core import sql_runner
from pipeline.core.progress import counted
from pipeline.core.settings import Settings
from pipeline.ingest.check_days import DayReader
from pipeline.ingest.check_problem import Problem
from pipeline.ingest.check_registers import register_problems, utility_problems
from pipeline.ingest.lake import Lake
from pipeline.ingest.lake_words import describe
from pipeline.ingest.registers import read_registers


def check_lake(
    lake: Lake,
    settings: Settings,
    today: date,
    *,
    all_days: bool = False,
    tell: Callable[[str], None] = lambda line: None,
) -> Iterator[Problem]:
    """Yield what is wrong or odd in `lake`, reading its newest days up to `today` (UTC) or all of them.

    Parameters
    ----------
    lake
        The lake.
    settings
        All settings.
    today
        The UTC day of today; later days are wrong.
    all_days
        Read every day instead of the newest [lake] check_days.
    tell
        Called with a line of progress.
    """
    for line in describe(lake.config):
        yield Problem("note", "lake.toml", line)
    for where, what in lake.oddities():
        yield Problem("note", where, what, "rename or remove it")
    for day in lake.future_days(today):
        hint = f"date= is the {lake.config.intervals.partitions} of the rows"
        yield Problem("fail", f"intervals/date={day}", "lies in the future", hint)
    past = [day for day in lake.days() if day <= today]
    tell("reading the registers")
    unusable: list[str] = []
    registers = read_registers(lake, today, unusable=unusable)
    yield from register_problems(lake, registers, unusable)
    yield from utility_problems(lake, registers)
    chosen = past if all_days else past[-settings.lake.check_days :]
    if len(chosen) < len(past):
        yield Problem("note", "intervals", f"read the newest {len(chosen)} of {len(past)} days")
    with tempfile.TemporaryDirectory(prefix="nightclamp-") as folder:
        con = sql_runner.connect(Path(folder), settings.engine)
        reader = DayReader(con, lake, registers, settings, Path(folder))
        for number, day in enumerate(chosen, start=1):
            tell(counted(f"reading {day}", number, len(chosen), things="days"))
            yield from reader.day_problems(day)
        yield from reader.problems_of_all()
        con.close()
