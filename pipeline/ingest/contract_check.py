"""Is this lake in the contract? Says one line a problem, worst first within each part."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Literal

import duckdb
import polars as pl

from pipeline.core import contract, sql_runner
from pipeline.core.errors import InputError
from pipeline.core.progress import counted
from pipeline.core.settings import Settings
from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.intervals import DayIntake, load_shards, total
from pipeline.ingest.lake import Lake
from pipeline.ingest.lake_words import describe
from pipeline.ingest.registers import Registers, read_registers
from pipeline.ingest.staging import source_columns
from pipeline.ingest.unknown_columns import UnknownColumn, unknown_columns

HINTS = {
    "absent": "is the monitor offline, or its site_id spelt otherwise?",
    "length": f"the contract takes {', '.join(str(m) for m in contract.INTERVAL_MINUTES)} min",
    "second length": "send one length a home",
    "grid": "label intervals by their start, on whole intervals",
    "gap": "evidence weakens with what is missing",
}
LISTED_HOMES = 5
Severity = Literal["fail", "note"]


@dataclass(frozen=True)
class Problem:
    """One line: a `fail` is outside the contract and costs rows, a `note` is worth knowing."""

    severity: Severity
    where: str
    what: str
    hint: str = ""


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
    try:
        registers = read_registers(lake, today)
    except InputError as error:
        yield Problem("fail", "registers", str(error))
        return
    yield from _register_problems(lake, registers)
    chosen = past if all_days else past[-settings.lake.check_days :]
    if len(chosen) < len(past):
        yield Problem("note", "intervals", f"read the newest {len(chosen)} of {len(past)} days")
    with tempfile.TemporaryDirectory(prefix="nightclamp-") as folder:
        con = sql_runner.connect(Path(folder), settings.engine)
        for number, day in enumerate(chosen, start=1):
            tell(counted(f"reading {day}", number, len(chosen), things="days"))
            yield from _day_problems(con, lake, day, registers, settings, Path(folder))
        con.close()


def _register_problems(lake: Lake, registers: Registers) -> Iterator[Problem]:
    for table in ("crews", "visits", "trainings"):
        if lake.register(table) is None:
            yield Problem(
                "note", table, "no such register", "it may be left out: then nothing is known of it"
            )
    for file, columns in registers.columns.items():
        table = file.rpartition(".")[0]
        known, fields = contract.TABLES[table].column_names(), getattr(lake.config, table)
        mapped = [field.source for field in fields.values() if field.source]
        own = [name for name in known if name not in fields]
        yield from _unknown(file, unknown_columns(columns, [*known, *mapped], own or known))
    for (file, reason), rows in registers.rejects.group_by(["source_file", "reason"], maintain_order=True):
        yield Problem(
            "fail", f"{file} row {rows['source_row'][0]}", f"{reason} ({_count(rows.height, 'row')})"
        )
    if registers.duplicate:
        yield Problem("note", "registers", f"{_count(registers.duplicate, 'row')} say what another row says")
    crews = registers.crews["crew_id"].implode()
    strangers = registers.sites.filter(~pl.col("crew_id").is_in(crews))
    if strangers.height:
        named = f"crew_id '{strangers['crew_id'][0]}' is not in crews"
        yield Problem("note", "sites", f"{named} ({_count(strangers.height, 'home')})", "add the crew")
    for name in (
        "timezone",
        "latitude",
        "longitude",
        "service",
        "service_amps",
        "pv_kw",
        "ct_sees_pv",
        "crew_id",
    ):
        empty = registers.sites[name].null_count()
        if empty:
            yield Problem(
                "note", "sites", f"{name} is empty for {_count(empty, 'home')}", "fill it if it is known"
            )


def _day_problems(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    registers: Registers,
    settings: Settings,
    workdir: Path,
) -> Iterator[Problem]:
    yield from _column_problems(lake, day, workdir)
    where = f"intervals/date={day}"
    params = {"day": day, "interval_minutes": [float(m) for m in contract.INTERVAL_MINUTES]}
    params |= settings.lake.model_dump()
    intakes, homes = [], []
    for intake in load_shards(con, lake, day, registers=registers, settings=settings, workdir=workdir):
        intakes.append(intake)
        homes.append(sql_runner.query(con, "check_home", params))
    intake = total(intakes)
    for reason, rejected in _by_reason(intake).items():
        if not rejected.rows:
            yield from (Problem("fail", file, reason) for file in rejected.files)
            continue
        share = f"{_count(rejected.rows, 'row')} of {intake.rows_in}"
        yield Problem("fail", rejected.first, f"{reason} ({share}; this one: {_shown(rejected.first_row)})")
    if intake.duplicate:
        yield Problem("note", where, f"{_count(intake.duplicate, 'row')} replaced by the same or a later one")
    for (kind,), rows in pl.concat(homes).group_by(["kind"], maintain_order=True):
        for site_id, reason in rows.select("site_id", "reason").head(LISTED_HOMES).iter_rows():
            yield Problem("note", f"{where} home {site_id}", reason, HINTS[str(kind)])
        if rows.height > LISTED_HOMES:
            more = _count(rows.height - LISTED_HOMES, "more home")
            yield Problem("note", where, f"{more} like these ({kind})", HINTS[str(kind)])


@dataclass
class _Rejected:
    """What was rejected for one reason: the first row and where it stands, and how many; or the files."""

    first: str
    first_row: str | None
    rows: int = 0
    files: list[str] = field(default_factory=list)


def _by_reason(intake: DayIntake) -> dict[str, _Rejected]:
    """Return the day's rejects by reason, in the order in which the reasons come."""
    by_reason: dict[str, _Rejected] = {}
    rejects = pl.scan_parquet(list(intake.reject_files), glob=False, hive_partitioning=False)
    for block in rejects.collect_batches(maintain_order=True):
        for (reason,), rows in block.group_by(["reason"], maintain_order=True):
            file, number, _, row = rows.row(0)
            rejected = by_reason.setdefault(str(reason), _Rejected(f"{file} row {number}", row))
            rejected.rows += rows["source_row"].count()
            rejected.files += rows.filter(pl.col("source_row").is_null())["source_file"].to_list()
    return by_reason


def _column_problems(lake: Lake, day: date, workdir: Path) -> Iterator[Problem]:
    """Say which columns of the day's first readable file nothing reads."""
    how = lake.config.intervals
    for file in lake.bring(lake.files(day)[:1], workdir):
        try:
            columns = source_columns(file.path, how)
        except UnusableFileError:
            continue
        yield from _unknown(
            file.name, unknown_columns(columns, how.reads(), contract.Interval.column_names())
        )


def _unknown(where: str, found: Iterable[UnknownColumn]) -> Iterator[Problem]:
    for column in found:
        severity: Severity = "fail" if column.is_misspelt else "note"
        what = f"column {column.name} is not in the contract: not read"
        yield Problem(severity, where, what, column.hint)


def _shown(row: str | None) -> str:
    """Return the values that a row holds, without the empty ones."""
    if row is None:
        return ""
    try:
        values = json.loads(row)
    except ValueError:
        return row
    return ", ".join(f"{name}={value}" for name, value in values.items() if value not in (None, ""))


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"
