"""The night: a list of plain steps, run(D) = f(lake, statistics of past days, run(D-1), settings).

The command runs the steps directly; flows/night_flow.py wraps the same steps as tasks. Both give the same tables.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core import event_log
from pipeline.core.alarm import read as read_alarms
from pipeline.core.alarm import table as alarm_table
from pipeline.core.errors import NightFailed
from pipeline.core.progress import counted
from pipeline.core.settings import Settings
from pipeline.core.sharding import Executor
from pipeline.core.steps import Step, StepRunner, run_plainly
from pipeline.crews import VIEWS
from pipeline.features.update_store import StoredDay, refresh_days
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import Registers
from pipeline.ingest.utility import UtilityIntake
from pipeline.nightly import build_tables, run_record
from pipeline.nightly.draw_report import draw_report
from pipeline.nightly.home_tasks import look_at_window, score_homes
from pipeline.nightly.latest_run import latest_note
from pipeline.nightly.metrics_file import write_metrics
from pipeline.nightly.night_failure import failing_in_a_line, tidied
from pipeline.nightly.night_inputs import NightInputs, NightRequest, Tables, open_night
from pipeline.nightly.past_night import as_known_then
from pipeline.nightly.rejects import write_rejects
from pipeline.nightly.retention_step import drop_old
from pipeline.nightly.timed_steps import TimedSteps
from pipeline.nightly.utility_meters import read_meters
from pipeline.storage import publish
from pipeline.storage.object_url import object_url
from pipeline.storage.odd_out import refuse_inside
from pipeline.storage.output_location import Out, hold_out
from pipeline.storage.private_files import SITE_CONTACT, VISIT_NOTE, unshared_files, write_private
from pipeline.storage.retention import Removed
from pipeline.storage.table_files import write_tables
from pipeline.worklist.safety_calls import SCHEMA as SAFETY_CALL

CSV_TABLES = ("revisit_list", "safety_call", "crew_quality")


@dataclass(frozen=True)
class NightResult:
    """Where the run is, its list, its safety calls, and its alarms and notes (table alarm, and the night's own lines).

    `is_latest` whether OUT/latest leads to it now.
    `published` is the run's folder or address; `folder`, to read from here, may be a copy of it.
    """

    folder: Path
    as_of: date
    revisit_list: pl.DataFrame
    alarm: pl.DataFrame
    counts: Mapping[str, int]
    fresh_days: int
    seconds: Mapping[str, float]
    model_note: str
    published: str = ""
    safety_call: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=SAFETY_CALL))
    is_latest: bool = True
    removed: Removed = field(default_factory=Removed)


def run_night(
    request: NightRequest,
    settings: Settings,
    run_step: StepRunner = run_plainly,
    *,
    tell: Callable[[str], None] = lambda line: None,
    executor: Executor | None = None,
) -> NightResult:
    """Run the whole night and publish it.

    Parameters
    ----------
    request
        Lake, OUT, as-of day, window and model.
    settings
        Of the whole pipeline.
    run_step
        How each step is carried out: directly, or as a task of a flow.
    tell
        Called with a line of progress.
    executor
        Carries out the tasks of the shards; else threads do.

    Raises
    ------
    InputError
        The lake, the as-of day, OUT or the model is not usable.
    NightFailed
        The folder is taken, the disk refuses, or the counts don't add up; the line says what is published.
    """
    timed = TimedSteps(request.run_id, run_step, tell)
    if object_url(request.lake) is None:
        open_lake(request.lake, settings)  # what is wrong with it is said before anything is made
        if object_url(request.out) is None:
            refuse_inside(request.lake, request.out)
    with failing_in_a_line(request.out) as outcome, hold_out(request.out, settings) as out:
        inputs = timed(Step.OPEN_LAKE, open_night, request, out, settings)
        event_log.set_as_of(inputs.as_of)
        with tidied(inputs, out), failing_in_a_line(out.local, outcome):
            stored = timed(Step.TAKE_IN, take_in, inputs, tell, out.keep_store, executor=executor)
            inputs = as_known_then(inputs, stored)
            meters = timed(Step.READ_METERS, read_meters, inputs, stored, out, tell=tell, executor=executor)
            window = timed(Step.LOOK_AT_WINDOW, look_at_window, inputs, stored, meters, executor=executor)
            scored = timed(Step.SCORE_HOMES, score_homes, inputs, window, executor)
            tables = timed(
                Step.MAKE_LISTS,
                build_tables.make_lists,
                inputs,
                stored,
                window.view,
                scored=scored,
                meters=meters.intake,
            )
            del window, scored  # the days of every home: nothing below needs them
            built = timed(Step.WRITE_TABLES, write_run, inputs, stored, tables, meters=meters.intake)
            timed(Step.DRAW_REPORT, draw_report, inputs, tables, built)
            write_metrics(inputs, stored, tables, built=built, steps=timed)
            run_record.write_run_json(inputs, stored, tables, built=built, seconds=timed.seconds)
            is_latest = inputs.turns_latest
            folder = timed(
                Step.PUBLISH, publish.publish, built, out.local, inputs.as_of, turn_latest=is_latest
            )
            unshared = unshared_files(settings.privacy)
            published = out.hand_in(folder, inputs.as_of, unshared, turn_latest=is_latest)
            outcome.left = f"the night of {inputs.as_of} is published"
            alarm = tables.told
            if line := latest_note(inputs):
                alarm = alarm_table([*read_alarms(alarm), line])
            if settings.correction.in_night and is_latest:  # past readings are put right by the latest run
                alarm = timed(Step.CORRECT, correct_readings, inputs, out, folder, alarm=alarm, tell=tell)
            removed = drop_old(inputs, out)
    event_log.LOG.info(
        "published in %s", published, extra={"seconds": timed.elapsed_s(), "counts": dict(tables.counts)}
    )
    return NightResult(
        folder, inputs.as_of, tables.published["revisit_list"], alarm, tables.counts,
        sum(day.is_fresh for day in stored), timed.seconds, inputs.model_note, published,
        tables.published["safety_call"], is_latest, removed,
    )  # fmt: skip


def correct_readings(
    inputs: NightInputs,
    out: Out,
    folder: Path,
    *,
    alarm: pl.DataFrame,
    tell: Callable[[str], None] = lambda line: None,
) -> pl.DataFrame:
    """Put past readings right by a published night; return its table alarm, with a line more if that failed.

    Parameters
    ----------
    inputs, out, folder
        What the night worked on, its OUT, and the published run.
    alarm
        The night's table alarm: the published one stays as it is.
    tell
        Called with a line of progress.
    """
    from pipeline.nightly.correct_step import (
        correct_published,  # a night that doesn't correct needn't load it
    )

    failed = correct_published(inputs, out, folder, tell=tell)
    return alarm if failed is None else alarm_table([failed, *read_alarms(alarm)])


def take_in(
    inputs: NightInputs,
    tell: Callable[[str], None] = lambda line: None,
    keep: Callable[[list[date]], None] = lambda days: None,
    *,
    executor: Executor | None = None,
) -> list[StoredDay]:
    """Return the store's days, brought up to date with the lake; a night that was stopped goes on where it was.

    Parameters
    ----------
    inputs
        What the night works on.
    tell, keep
        Called with a line of progress, and with each day that was read once it is in the store.
    executor
        Carries out the tasks of the shards; else threads do.
    """
    days = (*inputs.days, *([inputs.running] if inputs.running else []))
    number = {day: place for place, day in enumerate(days, start=1)}

    def day_done(day: date, is_fresh: bool) -> None:
        if is_fresh:
            keep([day])
            tell(counted(f"  {day} read", number[day], len(number), things="days"))

    with inputs.connect() as con:

        def refreshed(days: Iterable[date], registers: Registers) -> list[StoredDay]:
            return refresh_days(
                con, inputs.lake, days, registers=registers, store=inputs.store, settings=inputs.settings,
                workdir=inputs.scratch, tell=day_done, executor=executor,
            )  # fmt: skip

        stored = refreshed(inputs.days, inputs.registers)
        if inputs.running is None:
            return stored
        try:
            # Its rows lie after the as-of day, and are no rows of the future.
            until_now = replace(inputs.registers, as_of=inputs.running)
            return stored + refreshed([inputs.running], until_now)
        except NightFailed:  # its files are still being written: the night that judges the day reads it
            tell(f"  {inputs.running} is not over, and its files change while they are read: left alone")
            return stored


def write_run(inputs: NightInputs, stored: list[StoredDay], tables: Tables, *, meters: UtilityIntake) -> Path:
    """Return the folder, which nobody reads yet, with the night's tables and all rejects.

    Parameters
    ----------
    inputs, stored, tables
        What the night works on, the window's days in the store, and the night's tables.
    meters
        What the utility's files held.
    """

    def rejects(path: Path) -> None:
        registers = inputs.registers.rejects
        with inputs.connect() as con:
            write_rejects(
                con, path, registers, stored=stored, lake=inputs.lake, store=inputs.store, meters=meters
            )

    built = publish.building_folder(inputs.request.out, inputs.as_of)
    write_tables(
        built, tables.published, CSV_TABLES, views=VIEWS, streamed={"rejects": rejects},
        workers=inputs.settings.engine.workers,
    )  # fmt: skip
    private = {SITE_CONTACT: inputs.registers.contacts, VISIT_NOTE: inputs.registers.notes}
    write_private(built, private)
    return built
