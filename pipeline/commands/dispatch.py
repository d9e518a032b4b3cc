"""The command `nightclamp dispatch`."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date as Date  # noqa: N812  the option is called date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl
from pydantic import ValidationError
from rich.console import Console

from pipeline.commands.options import OUT, OutputConsole, SettingsFile
from pipeline.core.errors import InputError
from pipeline.core.setting_messages import wrong_value
from pipeline.core.setting_sections import DispatchSettings
from pipeline.core.settings import Settings, load_settings
from pipeline.core.terminal_text import one_line

if TYPE_CHECKING:
    from pipeline.dispatch.run import DispatchResult


def dispatch(
    lake: Path,
    *,
    out: Path = OUT,
    trucks: int | None = None,
    hours: float | None = None,
    days: int | None = None,
    date: Date | None = None,
    start: tuple[float, float] | None = None,
    dry_run: bool = False,
    settings: SettingsFile = None,
) -> None:
    """Plan which truck goes to which homes, in which order, with pages and calendars; say why others are unscheduled.

    Reads OUT/latest, LAKE's register, and where they are there LAKE/trucks.csv (truck_id, area, start_latitude,
    start_longitude, start_time, hours) and LAKE/drive_times.csv (from_site, to_site, minutes). Writes
    OUT/dispatch/DATE, DATE being the night's: tables, a page a truck and day to take along.

    Example: `nightclamp dispatch LAKE --out OUT --trucks 2 --hours 7.5 --days 5`

    Parameters
    ----------
    lake
        Folder with the sites that `nightly` read.
    out
        The OUT of `nightly`.
    trucks
        Trucks that go out a day; [dispatch] trucks if not given; not with a trucks.csv.
    hours
        A shift, start to back [hours]; [dispatch] hours if not given; not with a trucks.csv.
    days
        Work days to plan; [dispatch] days if not given.
    date
        First day, YYYY-MM-DD, after the night's; the next work day after the night if not given.
    start
        Latitude and longitude where trucks start and end [degrees]; [dispatch] start if not given, else the middle of
        the stops.
    dry_run
        Print the plan and write nothing.
    """
    from pipeline.commands.progress import terminal_progress
    from pipeline.dispatch.run import dispatch_night
    from pipeline.ingest.lake import open_lake

    all_settings = load_settings(settings)
    if (trucks, hours) != (None, None):
        opened = open_lake(lake, all_settings)
        if opened.source.beside("trucks.csv"):
            raise InputError(
                f"{opened.root}/trucks.csv says which trucks there are: leave out --trucks and --hours"
            )
    options = {"trucks": trucks, "hours": hours, "days": days, "start": start and list(start)}
    console = OutputConsole(highlight=False, markup=False, emoji=False, soft_wrap=True)
    with terminal_progress(console) as tell:
        tell("planning the trucks' days")
        done = dispatch_night(
            lake, out, with_options(all_settings, options),
            first_day=date, today=Date.today(), is_dry_run=dry_run,
        )  # fmt: skip
    show(console, done)


def with_options(settings: Settings, options: Mapping[str, Any]) -> Settings:
    """Return the settings with the options of the command line (None: not given) in [dispatch].

    Raises
    ------
    InputError
        An option is out of range.
    """
    set_options = {name: value for name, value in options.items() if value is not None}
    try:
        dispatch = DispatchSettings.model_validate(settings.dispatch.model_dump() | set_options)
    except ValidationError as error:
        first = error.errors()[0]
        option = str(first["loc"][0])
        raise InputError(f"--{option}: {wrong_value(DispatchSettings, option, first)}") from error
    return settings.model_copy(update={"dispatch": dispatch})


def show(console: Console, done: DispatchResult) -> None:
    """Print safety calls first, a line a truck and day, what is unscheduled, and where the plan is."""
    from pipeline.dispatch.page import reason_counts
    from pipeline.report.words import count

    held = done.plan.undispatched.filter(pl.col("reason") == "safety_call")
    for site in held["site_id"]:
        console.print(one_line(f"SAFETY CALL FIRST: {site}: no CT work until it is cleared"))
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
    if done.folder is None:
        console.print("dry run: nothing was written")
        return
    console.print(one_line(f"plan: {done.folder / 'index.html'}"))
    if done.address != str(done.folder):
        console.print(one_line(f"kept: {done.address}"))
