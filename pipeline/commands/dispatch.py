"""The command `nightclamp dispatch`."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date as Date  # noqa: N812  the option is called date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError
from rich.console import Console

from pipeline.commands.options import OUT, OutputConsole, SettingsFile
from pipeline.core.errors import InputError
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
    """Plan which truck goes to which homes, in which order, and say why the rest is unscheduled.

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
            lake, out, with_options(all_settings, options), first_day=date, is_dry_run=dry_run
        )
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
        dispatch = DispatchSettings(**settings.dispatch.model_dump() | set_options)
    except ValidationError as error:
        first = error.errors()[0]
        raise InputError(f"--{first['loc'][0]} {first['input']}: {first['msg'].lower()}") from error
    return settings.model_copy(update={"dispatch": dispatch})


def show(console: Console, done: DispatchResult) -> None:
    """Print a line a truck and day, what is unscheduled, and where the plan is."""
    from pipeline.report.words import count

    for note in done.notes:
        console.print(one_line(note))
    for row in done.plan.truck_days.iter_rows(named=True):
        stops = count(row["stops"], "stop")
        reasons_text = (
            f"{row['day']} {row['truck_id']:<10} {stops:>8}, {row['start_at']} to {row['back_at']}, "
            f"{row['drive_min']:4d} min driving, {row['minutes_on_site']:4d} min on site, {row['free_min']} to spare"
        )
        console.print(one_line(reasons_text))
    left = done.plan.undispatched
    reasons = left.group_by("reason").len().sort("len", "reason", descending=[True, False])
    reasons_text = ", ".join(f"{number} {reason.replace('_', ' ')}" for reason, number in reasons.iter_rows())
    console.print(
        f"{count(done.plan.dispatch.height, 'visit')} planned, {count(left.height, 'home')} unscheduled"
        f"{f' ({reasons_text})' if reasons_text else ''}"
    )
    if done.folder is None:
        console.print("dry run: nothing was written")
        return
    console.print(one_line(f"plan: {done.folder / 'index.html'}"))
    if done.address != str(done.folder):
        console.print(one_line(f"kept: {done.address}"))
