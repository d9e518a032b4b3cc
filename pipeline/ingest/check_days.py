"""What `nightclamp check` says of readings: of each day that is read, then of all of them together."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core import contract, sql_runner
from pipeline.core.settings import Settings
from pipeline.ingest.check_local_days import DayHours, local_day_problems
from pipeline.ingest.check_problem import LISTED_HOMES, Problem, count
from pipeline.ingest.check_registers import column_problems
from pipeline.ingest.check_services import commonest_volts, service_problems
from pipeline.ingest.check_voltages import out_of_range_hint, voltage_problems
from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.intervals import DayIntake, load_shards, total
from pipeline.ingest.lake import Lake
from pipeline.ingest.registers import Registers
from pipeline.ingest.staging import source_columns
from pipeline.ingest.unknown_columns import INTERVALS, unknown_columns

HINTS = {
    "absent": "is the monitor offline, or its site_id spelt otherwise?",
    "length": f"the contract takes {', '.join(str(m) for m in contract.INTERVAL_MINUTES)} min",
    "second length": "send one length a home",
    "grid": "label intervals by their start, on whole intervals",
    "gap": "evidence weakens with what is missing",
}


@dataclass
class DayReader:
    """Reads days of a lake for the check, and remembers what only several days show.

    `con` is the DuckDB to read with, `workdir` a folder for copies and rejects.
    """

    con: duckdb.DuckDBPyConnection
    lake: Lake
    registers: Registers
    settings: Settings
    workdir: Path
    hours: list[DayHours] = field(default_factory=list)
    volts: list[pl.DataFrame] = field(default_factory=list)
    lines: list[pl.DataFrame] = field(default_factory=list)

    def day_problems(self, day: date) -> Iterator[Problem]:
        """Yield what is wrong or odd in a day; without a home only its columns are looked at."""
        yield from self._column_problems(day)
        if not self.registers.sites.height:
            return
        where = f"intervals/date={day}"
        params = {"day": day, "interval_minutes": [float(m) for m in contract.INTERVAL_MINUTES]}
        params |= self.settings.lake.model_dump()
        intakes, homes, hours = [], [], set[int]()
        shards = load_shards(
            self.con, self.lake, day, registers=self.registers, settings=self.settings, workdir=self.workdir
        )
        for intake in shards:
            intakes.append(intake)
            homes.append(sql_runner.query(self.con, "check_home", params))
            self.volts.append(sql_runner.query(self.con, "check_voltage", params))
            self.lines.append(sql_runner.query(self.con, "check_line", params))
            hours |= set(sql_runner.query(self.con, "check_hour", params)["hour_no"])
        intake = total(intakes)
        self.hours.append(DayHours(day, intake.rows_in, hours=frozenset(hours)))
        for reason, rejected in _by_reason(intake, self.hours[-1]).items():
            if not rejected.rows:
                yield from (Problem("fail", file, reason) for file in rejected.files)
                continue
            share = f"{count(rejected.rows, 'row')} of {intake.rows_in}"
            what = f"{reason} ({share}; this one: {_shown(rejected.first_row)})"
            yield Problem("fail", rejected.first, what, out_of_range_hint(reason))
        if intake.duplicate:
            yield Problem(
                "note", where, f"{count(intake.duplicate, 'row')} replaced by the same or a later one"
            )
        for (kind,), rows in pl.concat(homes).group_by(["kind"], maintain_order=True):
            for site_id, reason in rows.select("site_id", "reason").head(LISTED_HOMES).iter_rows():
                yield Problem("note", f"{where} home {site_id}", reason, HINTS[str(kind)])
            if rows.height > LISTED_HOMES:
                more = count(rows.height - LISTED_HOMES, "more home")
                yield Problem("note", where, f"{more} like these ({kind})", HINTS[str(kind)])

    def problems_of_all(self) -> Iterator[Problem]:
        """Yield what the days that were read show together."""
        yield from local_day_problems(self.hours, self.registers.sites["timezone"].drop_nulls().to_list())
        yield from voltage_problems(self.volts)
        yield from service_problems(self.registers, self.lines, self.volts)

    def _column_problems(self, day: date) -> Iterator[Problem]:
        """Say which columns of the day's first readable file nothing reads."""
        how = self.lake.config.intervals
        for file in self.lake.bring(self.lake.files(day)[:1], self.workdir):
            try:
                columns = source_columns(file.path, how)
            except UnusableFileError:
                continue
            found = unknown_columns(
                columns,
                how.reads(),
                contract.Interval.column_names(),
                table=INTERVALS,
                volts=commonest_volts(self.registers.sites),
            )
            yield from column_problems(file.name, found)


@dataclass
class _Rejected:
    """What was rejected for one reason: the first row and where it stands, and how many; or the files."""

    first: str
    first_row: str | None
    rows: int = 0
    files: list[str] = field(default_factory=list)


def _by_reason(intake: DayIntake, hours: DayHours) -> dict[str, _Rejected]:
    """Return the day's rejects by reason, in the order in which the reasons come; `hours` counts those outside."""
    by_reason: dict[str, _Rejected] = {}
    rejects = pl.scan_parquet(list(intake.reject_files), glob=False, hive_partitioning=False)
    for block in rejects.collect_batches(maintain_order=True):
        for (reason,), rows in block.group_by(["reason"], maintain_order=True):
            file, number, _, row = rows.row(0)
            rejected = by_reason.setdefault(str(reason), _Rejected(f"{file} row {number}", row))
            hours.add(str(reason), rows["row"])
            rejected.rows += rows["source_row"].count()
            rejected.files += rows.filter(pl.col("source_row").is_null())["source_file"].to_list()
    return by_reason


def _shown(row: str | None) -> str:
    """Return the values that a row holds, without the empty ones."""
    if row is None:
        return ""
    try:
        values = json.loads(row)
    except ValueError:
        return row
    return ", ".join(f"{name}={value}" for name, value in values.items() if value not in (None, ""))
