"""The command `nightclamp dispatch`; pipeline.commands.cli loads it when it is asked for."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date as Date  # noqa: N812  the option is called date
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from rich.console import Console

from pipeline.commands.options import OUT, SettingsFile
from pipeline.core.errors import InputError
from pipeline.core.setting_sections import DispatchSettings
from pipeline.core.settings import Settings, load_settings
from pipeline.core.terminal_text import one_line
from pipeline.dispatch.page import reason_counts
from pipeline.dispatch.run import DispatchResult, dispatch_night
from pipeline.ingest.lake import open_lake
from pipeline.report.words import count


def dispatch(
    lake: Path,
    *,
    out: Path = OUT,
    trucks: int | None = None,
    hours: float | None = None,
    days: int | None = None,
    date: Date | None = None,
    start: tuple[float, float] | None = None,
    settings: SettingsFile = None,
) -> None:
    """Plan who drives where: the list's visits as rounds of trucks over days, with pages and calendars to take along.

    Reads OUT/latest, LAKE's register, and where they are there LAKE/trucks.csv (truck_id, area, start_latitude,
    start_longitude, start_time, hours) and LAKE/drive_times.csv (from_site, to_site, minutes). Writes
    OUT/dispatch/DATE, DATE being the night's.

    Parameters
    ----------
    lake
        Folder with the sites that `nightly` read.
    out
        The OUT of `nightly`.
    trucks
        How many trucks go out a day; not with a trucks.csv.
    hours
        Hours of a shift, start to back; not with a trucks.csv.
    days
        How many days to plan.
    date
        First day; the next work day after the night if not given.
    start
        Latitude and longitude where trucks start and end; the middle of the stops if not given.
    """
    all_settings = load_settings(settings)
    if (trucks, hours) != (None, None):
        opened = open_lake(lake, all_settings)
        if opened.source.beside("trucks.csv"):
            raise InputError(
                f"{opened.root}/trucks.csv says which trucks there are: leave out --trucks and --hours"
            )
    options = {"trucks": trucks, "hours": hours, "days": days, "start": start and list(start)}
    done = dispatch_night(lake, out, with_options(all_settings, options), first_day=date, today=Date.today())
    show(Console(highlight=False, markup=False, emoji=False, soft_wrap=True), done)


def with_options(settings: Settings, options: Mapping[str, Any]) -> Settings:
    """Return the settings with the options of the command line (None: not given) in [dispatch].

    Raises
    ------
    InputError
        An option is out of range.
    """
    set_options = {name: value for name, value in options.items() if value is not None}
    try:
        dispatch = DispatchSettings(**settings.dispatch.model_dump() | set_options)
    except ValidationError as error:
        first = error.errors()[0]
        raise InputError(f"--{first['loc'][0]} {first['input']}: {first['msg'].lower()}") from error
    return settings.model_copy(update={"dispatch": dispatch})


def show(console: Console, done: DispatchResult) -> None:
    """Print safety calls first, a line a truck and day, what is unscheduled, and where the plan is."""
    for row in done.plan.dispatch.filter("is_safety_call").iter_rows(named=True):
        stop = f"truck {row['truck_id']}, {row['day']}, stop {row['stop']}"
        console.print(
            one_line(f"SAFETY CALL FIRST: {row['site_id']} ({stop}): no CT work until it is cleared")
        )
    for note in done.notes:
        console.print(one_line(note))
    for row in done.plan.truck_days.iter_rows(named=True):
        stops = count(row["stops"], "stop")
        line = (
            f"{row['day']} {row['truck_id']:<10} {stops:>8}, {row['start_at']} to {row['back_at']}, "
            f"{row['drive_min']:4d} min driving ({row['drive_from']}), {row['minutes_on_site']:4d} min on site, "
            f"{row['free_min']} min to spare"
        )
        console.print(one_line(line))
    planned, unscheduled = done.plan.dispatch.height, done.plan.undispatched
    reasons = "; ".join(f"{text}: {number}" for text, number in reason_counts(unscheduled))
    console.print(
        f"{planned} of {count(planned + unscheduled.height, 'listed visit')} planned, {unscheduled.height} unscheduled"
        f"{f' ({reasons})' if reasons else ''}"
    )
    console.print(one_line(f"plan: {done.folder / 'index.html'}"))
    if done.address != str(done.folder):
        console.print(one_line(f"kept: {done.address}"))
