"""The night: a list of plain steps, run(D) = f(lake, statistics of past days, run(D-1), settings).

The command runs the steps directly; flows/night_flow.py wraps the same steps as tasks. Both give the same tables.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.alarm import read as read_alarms
from pipeline.core.alarm import table as alarm_table
from pipeline.core.errors import NightFailed
from pipeline.core.progress import counted
from pipeline.core.settings import Settings
from pipeline.core.sharding import Executor
from pipeline.core.steps import P, Step, StepRunner, T, run_plainly
from pipeline.crews import VIEWS, view_rows
from pipeline.faults.types import CAUTIONS
from pipeline.features.update_store import StoredDay, refresh_days
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import Registers
from pipeline.ingest.utility import UtilityIntake
from pipeline.nightly import build_tables, run_record
from pipeline.nightly.home_tasks import look_at_window, score_homes
from pipeline.nightly.night_inputs import NightInputs, NightRequest, Tables, open_night
from pipeline.nightly.rejects import write_rejects
from pipeline.nightly.utility_meters import read_meters
from pipeline.report import NightCounts, ReportInput, write_report
from pipeline.report.crews_page import TABLES as CREW_PAGE
from pipeline.report.fault_cards import fault_cards
from pipeline.report.list_page import TABLES as LIST_TABLES
from pipeline.storage import publish
from pipeline.storage.object_url import object_url
from pipeline.storage.output_location import Out, hold_out
from pipeline.storage.private_files import SITE_CONTACT, VISIT_NOTE, unshared_files, write_private
from pipeline.worklist.earlier_visits import EarlierVisits, earlier_visits
from pipeline.worklist.planned_visits import read_plans
from pipeline.worklist.safety_calls import SCHEMA as SAFETY_CALL
from pipeline.worklist.tables import earlier_table

CSV_TABLES = ("revisit_list", "safety_call", "crew_quality")


@dataclass(frozen=True)
class NightResult:
    """Where the run is, its list, its safety calls, and its alarms and notes (table alarm).

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
        The lake, the as-of day or the model is not usable.
    NightFailed
        The folder is taken or can't be written, or the counts don't add up; nothing was published.
    """
    seconds: dict[str, float] = {}

    def timed(step: Step, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        tell(step)
        start = time.perf_counter()
        result = run_step(step, function, *args, **kwargs)
        seconds[step] = round(time.perf_counter() - start, 3)
        return result

    if object_url(request.lake) is None:
        open_lake(request.lake, settings)  # what is wrong with it is said before anything is made
    with hold_out(request.out, settings) as out:
        inputs = timed(Step.OPEN_LAKE, open_night, request, out, settings)
        inputs.scratch.mkdir(parents=True, exist_ok=True)
        try:
            stored = timed(Step.TAKE_IN, take_in, inputs, tell, out.keep_store, executor=executor)
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
            run_record.write_run_json(inputs, stored, tables, built=built, seconds=seconds)
            folder = timed(Step.PUBLISH, publish.publish, built, out.local, inputs.as_of)
            published = out.hand_in(folder, inputs.as_of, unshared_files(settings.privacy))
            alarm = tables.published["alarm"]
            if settings.correction.in_night:
                alarm = timed(Step.CORRECT, correct_readings, inputs, out, folder, alarm=alarm, tell=tell)
        finally:
            shutil.rmtree(inputs.scratch, ignore_errors=True)
    return NightResult(
        folder, inputs.as_of, tables.published["revisit_list"], alarm, tables.counts,
        sum(day.is_fresh for day in stored), seconds, inputs.model_note, published,
        tables.published["safety_call"],
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
    publish.write_tables(
        built, tables.published, CSV_TABLES, views=VIEWS, streamed={"rejects": rejects},
        workers=inputs.settings.engine.workers,
    )  # fmt: skip
    private = {SITE_CONTACT: inputs.registers.contacts, VISIT_NOTE: inputs.registers.notes}
    write_private(built, private)
    return built


def draw_report(inputs: NightInputs, tables: Tables, built: Path) -> None:
    """Write the pages into the run's folder `built`."""
    published = tables.published
    views = view_rows(published, inputs.scratch, inputs.settings.engine)
    night = ReportInput(
        as_of=inputs.as_of,
        window_days=inputs.request.window_days,
        model_id=f"{inputs.model.model_id} ({inputs.model_note})",
        counts=NightCounts(**{name: tables.counts[name] for name in NightCounts.__dataclass_fields__}),
        site_scores=published["site_scores"], revisit_list=published["revisit_list"],
        site_weight=published["site_weight"], site_daily=published["site_daily"], site_hour=published["site_hour"],
        crews={name: published[name] for name in CREW_PAGE} | views,
        rejects=tables.rejected,
        sites=inputs.registers.sites,
        standing=published["standing"], home_story=published["home_story"], visit_doubt=published["visit_doubt"],
        night_count=published["night_count"], plans=read_plans(inputs.request.out, inputs.as_of),
        safety_call=published["safety_call"], safety_day=published["safety_day"],
        alarm=published["alarm"],
        list_tables={name: published[name] for name in LIST_TABLES},
        fleet_normal=published["fleet_normal"],
        fleet_normal_before=earlier_table(inputs.previous, "fleet_normal"),
        base_rate=tables.record["base_rate"],
        faults=fault_cards(),
        cautions=CAUTIONS,
        earlier_visits=visits_of_listed(inputs, published),
    )  # fmt: skip
    write_report(built / "report", night, inputs.settings, script_cache=inputs.store.root / "charts")


def visits_of_listed(inputs: NightInputs, published: Mapping[str, pl.DataFrame]) -> dict[str, EarlierVisits]:
    """Return what the pages say of earlier visits to listed homes; with their notes unless [privacy] says no."""
    settings = inputs.settings
    notes = inputs.registers.notes if settings.privacy.notes_on_pages else None
    visits = inputs.registers.visits.join(published["revisit_list"], on="site_id", how="semi")
    return earlier_visits(visits, notes, published["standing"], most=settings.report.earlier_visits)
