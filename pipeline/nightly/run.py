"""The night: a list of plain steps, run(D) = f(lake, statistics of past days, run(D-1), settings).

The command runs the steps directly; flows/night_flow.py wraps the same steps as tasks. Both give the same tables.
A step imports its own rooms: half the time they take to load passes while the days are taken in.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.executors import ThreadExecutor
from pipeline.core.settings import Settings
from pipeline.core.sharding import Executor
from pipeline.faults.types import CAUTIONS
from pipeline.features.update_store import StoredDay, refresh_days
from pipeline.nightly.ahead import load_ahead
from pipeline.nightly.night_inputs import NightInputs, NightRequest, open_night
from pipeline.nightly.steps import P, Step, StepRunner, T, run_plainly
from pipeline.scoring.score_homes import Scored
from pipeline.storage import publish
from pipeline.storage.output_location import hold_out

if TYPE_CHECKING:
    from pipeline.features.window import WindowView
    from pipeline.nightly.build_tables import Tables
    from pipeline.nightly.home_tasks import LookedAt

_LATER = (
    "pipeline.nightly.home_tasks",
    "pipeline.nightly.build_tables",
    "pipeline.report",
    "pipeline.nightly.run_record",
)
CSV_TABLES = ("revisit_list", "crew_quality")


@dataclass(frozen=True)
class NightResult:
    """Where the run is, its list, and what the morning must know beside it (table alarm).

    `published` is what people call the run's place; `folder`, to read from here, may be a copy of it.
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


def run_night(
    request: NightRequest,
    settings: Settings,
    run_step: StepRunner = run_plainly,
    tell: Callable[[str], None] = lambda line: None,
    executor: Executor | None = None,
) -> NightResult:
    """Run the whole night and publish it; `executor` carries out the pieces that don't need each other (else threads).

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

    load_ahead(*_LATER)
    with hold_out(request.out, settings) as out:
        inputs = timed(Step.OPEN_LAKE, open_night, request, out, settings)
        inputs.workdir.mkdir(parents=True, exist_ok=True)
        try:
            stored = timed(Step.TAKE_IN, take_in, inputs, settings, tell, out.keep_store, executor)
            looked = timed(Step.LOOK_AT_WINDOW, look_at_window, inputs, stored, settings, executor)
            scored = timed(Step.SCORE_HOMES, score_homes, inputs, looked, settings, executor)
            tables = timed(Step.MAKE_LISTS, make_lists, inputs, stored, looked.view, scored, settings)
            del looked, scored  # the days of every home: nothing below needs them
            built = timed(Step.WRITE_TABLES, write_run, inputs, stored, tables, settings)
            timed(Step.DRAW_REPORT, draw_report, inputs, tables, built, settings)
            write_run_json(inputs, stored, tables, built, seconds, settings)
            folder = timed(Step.PUBLISH, publish.publish, built, out.local, inputs.as_of)
            published = out.hand_in(folder, inputs.as_of)
        finally:
            shutil.rmtree(inputs.workdir, ignore_errors=True)
    return NightResult(
        folder,
        inputs.as_of,
        tables.published["revisit_list"],
        tables.published["alarm"],
        tables.counts,
        sum(d.is_fresh for d in stored),
        seconds,
        inputs.model_note,
        published,
    )


def take_in(
    inputs: NightInputs,
    settings: Settings,
    tell: Callable[[str], None] = lambda line: None,
    keep: Callable[[list[date]], None] = lambda days: None,
    executor: Executor | None = None,
) -> list[StoredDay]:
    """Bring the store up to date with the lake's days; a night that is stopped goes on after the days that are done.

    `keep` is called with each day that was read, when it is there.
    """
    at = {day: number for number, day in enumerate(inputs.days, start=1)}

    def done(day: date, is_fresh: bool) -> None:
        if is_fresh:
            keep([day])
            tell(f"  {day} read, {at[day]} of {len(at)} days")

    con = sql_runner.connect(inputs.workdir, settings.engine)
    try:
        return refresh_days(
            con,
            inputs.lake,
            inputs.days,
            registers=inputs.registers,
            store=inputs.store,
            settings=settings,
            workdir=inputs.workdir,
            tell=done,
            executor=executor,
        )
    finally:
        con.close()


def look_at_window(
    inputs: NightInputs, stored: list[StoredDay], settings: Settings, executor: Executor | None = None
) -> LookedAt:
    """Merge the days of each home's span and work out its features."""
    from pipeline.nightly.home_tasks import look_over

    days = [day for day in stored if day.day <= inputs.as_of]
    con = sql_runner.connect(inputs.workdir, settings.engine)
    try:
        return look_over(
            days, inputs.store, inputs.registers, inputs.as_of, inputs.request.window_days, settings,
            executor or ThreadExecutor(con, settings.engine),
        )  # fmt: skip
    finally:
        con.close()


def score_homes(
    inputs: NightInputs, looked: LookedAt, settings: Settings, executor: Executor | None = None
) -> Scored:
    """Learn what is normal in this fleet and hold every home against it."""
    from pipeline.nightly.home_tasks import score_over

    con = sql_runner.connect(inputs.workdir, settings.engine)
    try:
        return score_over(
            looked,
            inputs.registers.sites,
            inputs.model,
            settings,
            executor or ThreadExecutor(con, settings.engine),
        )
    finally:
        con.close()


def make_lists(
    inputs: NightInputs, stored: list[StoredDay], view: WindowView, scored: Scored, settings: Settings
) -> Tables:
    """Rank the homes and work out everything that is published as tables."""
    from pipeline.nightly import build_tables

    return build_tables.make_lists(inputs, stored, view, scored, settings)


def write_run(inputs: NightInputs, stored: list[StoredDay], tables: Tables, settings: Settings) -> Path:
    """Write the night's tables, and the days' rejects, into a folder nobody reads yet."""
    from pipeline.crews import VIEWS
    from pipeline.nightly.rejects import write_rejects

    def rejects(path: Path) -> None:
        write_rejects(path, inputs.registers.rejects, stored, inputs.lake, inputs.store)

    built = publish.building_folder(inputs.request.out, inputs.as_of)
    publish.write_tables(
        built,
        tables.published,
        CSV_TABLES,
        views=VIEWS,
        streamed={"rejects": rejects},
        workers=settings.engine.workers,
    )
    return built


def draw_report(inputs: NightInputs, tables: Tables, built: Path, settings: Settings) -> None:
    """Draw the pages for people."""
    from pipeline.crews import view_rows
    from pipeline.report import NightCounts, ReportInput, write_report
    from pipeline.report.crews_page import TABLES as CREW_PAGE
    from pipeline.report.fault_cards import fault_cards
    from pipeline.report.list_page import TABLES as LIST_TABLES
    from pipeline.worklist.carry_over import earlier_table

    made = tables.published
    night = ReportInput(
        as_of=inputs.as_of,
        window_days=inputs.request.window_days,
        model_id=f"{inputs.model.model_id} ({inputs.model_note})",
        counts=NightCounts(**{name: tables.counts[name] for name in NightCounts.__dataclass_fields__}),
        site_scores=made["site_scores"], revisit_list=made["revisit_list"], site_weight=made["site_weight"],
        site_daily=made["site_daily"], site_hour=made["site_hour"],
        crews={name: made[name] for name in CREW_PAGE} | view_rows(made, inputs.workdir, settings.engine),
        rejects=tables.rejected,
        sites=inputs.registers.sites,
        standing=made["standing"], home_story=made["home_story"], visit_doubt=made["visit_doubt"], alarm=made["alarm"],
        list_tables={name: made[name] for name in LIST_TABLES},
        fleet_normal=made["fleet_normal"],
        fleet_normal_before=earlier_table(inputs.previous, "fleet_normal"),
        base_rate=tables.told["base_rate"],
        faults=fault_cards(),
        cautions=CAUTIONS,
    )  # fmt: skip
    write_report(built / "report", night, settings, inputs.store.root / "charts")


def write_run_json(
    inputs: NightInputs,
    stored: list[StoredDay],
    tables: Tables,
    built: Path,
    seconds: Mapping[str, float],
    settings: Settings,
) -> None:
    """Write what the run says of itself."""
    from pipeline.nightly import run_record

    scores = tables.published["site_scores"]
    run_record.write_run_json(inputs, stored, scores, tables.counts, built, seconds, settings, tables.told)
