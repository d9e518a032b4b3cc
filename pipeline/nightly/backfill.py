"""Nights of the past, made in order: first their days are taken in, all at once, then each night is published.

Each night is the one that would have been made then, so stories, predictions and crews' months begin with history. What
is stopped goes on: a day that was taken in and a night that was published are not done again.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.core import clock, sql_runner
from pipeline.core.errors import InputError, NightclampError
from pipeline.core.progress import counted
from pipeline.core.setting_sections.section import LONGEST_DAYS
from pipeline.core.settings import Settings
from pipeline.features.day_store import Store
from pipeline.features.update_store import refresh_days
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import read_registers
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import NightResult, run_night
from pipeline.storage.output_location import Out, hold_out
from pipeline.storage.retention import Removed
from pipeline.worklist.tables import earlier_table


@dataclass(frozen=True)
class BackfillRequest:
    """A lake, OUT, the first and the last night (None: the newest day that is over), the window, a model.

    With `again` nights that are published are made anew.
    """

    lake: Path
    out: Path
    from_on: date
    to_on: date | None = None
    window_days: int = 30
    model: Path | None = None
    again: bool = False


@dataclass(frozen=True)
class Plan:
    """Which `days` are taken in, which `nights` are made; nights that are `done`, days that are not in the lake.

    `later` are published nights after the first of `nights` that are left as they are: they don't know of it.
    """

    days: tuple[date, ...]
    nights: tuple[date, ...]
    done: tuple[date, ...] = ()
    no_data: tuple[date, ...] = ()
    later: tuple[date, ...] = ()


@dataclass(frozen=True)
class PastNight:
    """A night that was made, in how many seconds; `number` of `total`."""

    result: NightResult
    seconds: float
    number: int
    total: int


@dataclass
class BackfillResult:
    """The plan, how many days were read for it, the nights that were made, runs and days of the store removed since."""

    plan: Plan
    days_read: int = 0
    nights: list[PastNight] = field(default_factory=list)
    removed: Removed = field(default_factory=Removed)


def backfill(
    request: BackfillRequest,
    settings: Settings,
    *,
    tell: Callable[[str], None] = lambda line: None,
    night_done: Callable[[PastNight], None] = lambda night: None,
) -> BackfillResult:
    """Take in the days of past nights, then publish these nights in order, each under its day.

    Past readings are put right ([correction] in_night) with the last night only.

    Parameters
    ----------
    request
        Lake, OUT, nights, window and model.
    settings
        Of the whole pipeline.
    tell
        Called with a line of progress while days are taken in.
    night_done
        Called with each night once it is published.

    Raises
    ------
    InputError
        The lake, OUT, the days or the model are not usable.
    NightFailed
        A night failed; those before it are published.
    """
    lake = open_lake(request.lake, settings)
    with hold_out(request.out, settings) as out:
        plan = plan_nights(request, lake, out)
        result = BackfillResult(plan)
        result.days_read = take_in_history(plan, lake, out, settings=settings, tell=tell)
    by_day = settings.model_copy(
        update={"correction": settings.correction.model_copy(update={"in_night": False})}
    )
    for number, night in enumerate(plan.nights, start=1):
        start = time.perf_counter()
        one = NightRequest(request.lake, request.out, night, request.window_days, request.model)
        try:
            made = run_night(one, settings if night == plan.nights[-1] else by_day)
        except NightclampError as error:
            raise type(error)(
                f"night of {night}: {error}; {number - 1} of {len(plan.nights)} nights are published, and the same"
                " command goes on from here"
            ) from error
        done = PastNight(made, round(time.perf_counter() - start, 2), number, len(plan.nights))
        result.nights.append(done)
        result.removed = result.removed + made.removed
        night_done(done)
    return result


def plan_nights(request: BackfillRequest, lake: Lake, out: Out) -> Plan:
    """Return which days are to be taken in and which nights are to be made.

    A night counts as made where it is published, or a published run tells of it: [retention] may have removed its own.
    Made again, nights begin where a run is kept that they can go on from, so that no story has a gap.

    Raises
    ------
    InputError
        The days are not usable.
    """
    if not 1 <= request.window_days <= LONGEST_DAYS:
        raise InputError(f"--window-days {request.window_days}: choose 1 to {LONGEST_DAYS}")
    newest = lake.newest_finished_day(clock.utc_now())
    to_on, in_lake = request.to_on or newest, set(lake.days())
    if to_on > newest:
        raise InputError(
            f"--to {to_on}: the lake's newest day that is over is {newest}; choose a day up to it"
        )
    if request.from_on > to_on:
        raise InputError(f"--from {request.from_on}: lies after --to {to_on}; choose an earlier day")
    published, made = out.published(), _nights_made(out)
    from_on = request.from_on
    if request.again:
        kept = max((day for day in published if day < from_on), default=date.min)
        gone = [day for day in made if kept < day < from_on]
        from_on = min(gone, default=from_on)
    wanted = [from_on + timedelta(days=number) for number in range((to_on - from_on).days + 1)]
    first = min(in_lake)
    no_data = tuple(day for day in wanted if day not in in_lake and day >= first)
    there = [day for day in wanted if day in in_lake]
    nights = tuple(day for day in there if request.again or day not in made)
    done = tuple(day for day in there if day not in nights)
    if not there:
        raise InputError(f"--from {request.from_on}: no data up to {to_on}; the lake has {first} to {newest}")
    if not nights:
        return Plan((), (), done, no_data)
    start = nights[0] - timedelta(days=request.window_days - 1)
    days = tuple(day for day in sorted(in_lake) if start <= day <= nights[-1])
    later = tuple(day for day in published if day > nights[0] and day not in nights)
    return Plan(days, nights, done, no_data, later)


def take_in_history(
    plan: Plan, lake: Lake, out: Out, *, settings: Settings, tell: Callable[[str], None] = lambda line: None
) -> int:
    """Have the store hold the plan's days, each whole before the next ones are begun; return how many were read.

    Parameters
    ----------
    plan, lake, out
        The days, whose they are, and the OUT that is held.
    settings
        Of the whole pipeline.
    tell
        Called with a line of progress.
    """
    if not plan.days:
        return 0
    out.bring_store(plan.days)
    scratch = out.local / "store" / ".work"  # as a night's, which the next one removes if this one is killed
    scratch.mkdir(parents=True, exist_ok=True)
    number = {day: place for place, day in enumerate(plan.days, start=1)}

    def day_done(day: date, is_fresh: bool) -> None:
        if is_fresh:
            out.keep_store([day])
            tell(counted(f"{day} taken in", number[day], len(number), things="days"))

    try:
        registers = read_registers(lake, plan.nights[-1], today=clock.utc_today())
        with sql_runner.connect(scratch, settings.engine) as con:
            stored = refresh_days(
                con, lake, plan.days, registers=registers, store=Store(out.local / "store"), settings=settings,
                workdir=scratch, tell=day_done,
            )  # fmt: skip
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return sum(day.is_fresh for day in stored)


def _nights_made(out: Out) -> set[date]:
    """Return the days that have a run, and those that such a run tells of in table night_count, newest runs first."""
    published = out.published()
    made = set(published)
    left: Sequence[date] = published
    while left:
        counts = earlier_table(out.run_of(left[-1]), "night_count")
        told = set() if counts is None else set(counts["as_of"].cast(pl.Date))
        made |= told
        left = [day for day in left[:-1] if day not in told]
    return made
