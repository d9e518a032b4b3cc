"""What a night works on (the lake, registers, days, model, the run before), and what it makes: its tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.core import clock, sql_runner
from pipeline.core.alarm import ALARM, NOTE, Alarm
from pipeline.core.alarm import table as alarm_table
from pipeline.core.contract import FIRST_DATE
from pipeline.core.errors import InputError
from pipeline.core.event_log import new_run_id
from pipeline.core.setting_sections.section import LONGEST_DAYS
from pipeline.core.settings import Settings
from pipeline.features.day_store import Store
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import Registers, read_registers
from pipeline.scoring.model import Model
from pipeline.scoring.model_choice import choose_model
from pipeline.storage.odd_out import refuse_taken_day
from pipeline.storage.output_location import Out
from pipeline.worklist.tables import CARRIED

# Tables of the run before that a night reads, all of them from the one run that it goes on from.
READ_OF_PREVIOUS = (*CARRIED, "fleet_normal", "arrival")


@dataclass(frozen=True)
class NightRequest:
    """A lake, where results go, the UTC day to judge (None: the newest that is over), the window, a model.

    `make_latest`: OUT/latest leads to this night, even if it leads to a later one now.
    Lake and out may name an object store (pipeline/storage/object_url.py says how). `run_id` is this night's alone: it
    stands in run.json, metrics.prom and the log.
    """

    lake: Path
    out: Path
    as_of: date | None = None
    window_days: int = 30
    model: Path | None = None
    make_latest: bool = False
    run_id: str = field(default_factory=new_run_id, compare=False)


@dataclass(frozen=True)
class NightInputs:
    """`days` are the UTC days it reads, oldest first; `later` those it leaves alone.

    `latest` is the day of the run that OUT/latest led to before. `running` is the UTC day that isn't over, where the
    lake has rows of it: they are read and speak for their homes, but no alarm and no change is found by a day that may
    hold an hour or nearly all. `now` is when the night began. `model_note` says which model it is and why.
    `request.out` is a folder, perhaps an object store's local copy. `previous` is the run that the night goes on from;
    `passed_over` says of newer ones what is damaged.
    """

    request: NightRequest
    settings: Settings
    lake: Lake
    as_of: date
    registers: Registers
    days: tuple[date, ...]
    later: tuple[date, ...]
    model: Model
    model_note: str
    previous: Path | None
    running: date | None = None
    passed_over: tuple[str, ...] = ()
    latest: date | None = None
    now: datetime = field(default_factory=lambda: clock.utc_now())

    @property
    def turns_latest(self) -> bool:
        """Whether OUT/latest leads to this night when it is published: not to an earlier day, unless asked to."""
        return self.request.make_latest or self.latest is None or self.as_of >= self.latest

    @property
    def store(self) -> Store:
        """The store of this OUT."""
        return Store(self.request.out / "store")

    @property
    def scratch(self) -> Path:
        """The scratch folder, removed when the night is over."""
        return self.request.out / "store" / ".work"

    def connect(self) -> duckdb.DuckDBPyConnection:
        """Return a DuckDB that spills into the scratch folder, for a `with` statement."""
        return sql_runner.connect(self.scratch, self.settings.engine)


@dataclass(frozen=True)
class Tables:
    """The night's tables by name, its counts, and the `record` of days, changes and alarms in run.json.

    Rejects are too many for memory: `rejected` counts them (reason, count), and `write_run` writes them.
    """

    published: Mapping[str, pl.DataFrame]
    rejected: pl.DataFrame
    counts: Mapping[str, int]
    record: Mapping[str, Any]

    @property
    def told(self) -> pl.DataFrame:
        """Table alarm with what hangs on the clock: all that is told of the night."""
        lines = (
            (severity, row)
            for severity, name in ((ALARM, "alarms"), (NOTE, "notes"))
            for row in self.record[name]
        )
        return alarm_table(Alarm(severity, **row) for severity, row in lines)


def open_night(request: NightRequest, out: Out, settings: Settings) -> NightInputs:
    """Return the night's inputs: lake and registers, the as-of day and the days to read, the model.

    Raises
    ------
    InputError
        The window, the as-of day, the lake or the model is not usable, or the night's place in OUT is taken.
    """
    request = replace(request, out=out.local)
    if not 1 <= request.window_days <= LONGEST_DAYS:
        raise InputError(f"--window-days {request.window_days}: choose 1 to {LONGEST_DAYS}")
    if request.as_of is not None and request.as_of < FIRST_DATE:
        raise InputError(f"--as-of {request.as_of}: no fleet is that old; choose a day from {FIRST_DATE} on")
    lake = open_lake(request.lake, settings)
    now = clock.utc_now()
    today, yesterday = now.date(), now.date() - timedelta(days=1)
    as_of = request.as_of or lake.newest_finished_day(now)
    if as_of > today:
        raise InputError(f"--as-of {as_of}: lies in the future; choose a day up to {yesterday}")
    if as_of == today:
        raise InputError(f"--as-of {as_of}: is not over yet in UTC; choose a day up to {yesterday}")
    first = as_of - timedelta(days=request.window_days - 1)
    all_days = lake.days()
    days = [day for day in all_days if first <= day <= as_of]
    if not days:
        raise InputError(
            f"{lake.root}: no data from {first} to {as_of};"
            f" the lake has {all_days[0]} to {all_days[-1]}: choose --as-of"
        )
    in_future = [day for day in all_days if day > today]
    model, note = choose_model(request.model, request.out, as_of)
    running = today if today in all_days and (request.as_of is None or as_of == yesterday) else None
    out.bring_store((*days, *in_future, *([running] if running else [])))
    later = tuple(day for day in all_days if as_of < day <= today and day != running)
    refuse_taken_day(request.out, as_of)
    earlier = out.earlier_run(as_of, READ_OF_PREVIOUS)
    return NightInputs(
        request, settings, lake, as_of, read_registers(lake, as_of, today=today), (*days, *in_future), later, model,
        note, earlier.folder, running, earlier.passed_over, out.latest_day(), now,
    )  # fmt: skip
