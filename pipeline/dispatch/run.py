"""From a published night and a lake to a written plan."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from urllib.parse import quote

import numpy as np
import polars as pl

from pipeline.core.atomic_files import sync_folder
from pipeline.core.setting_sections import DispatchSettings
from pipeline.core.settings import Settings
from pipeline.dispatch.calendars import write_calendars
from pipeline.dispatch.drive_times import read_drive_times
from pipeline.dispatch.gone_days import refuse_gone_first_day, refuse_other_plan
from pipeline.dispatch.listed_visits import TABLES, home_lines, read_stops, safety_calls, stop_kits
from pipeline.dispatch.page import Links, PageInput, write_pages
from pipeline.dispatch.past_days import PastDays, read_past_days
from pipeline.dispatch.plan import UNDISPATCHED, DispatchPlan, plan_days
from pipeline.dispatch.travel import Travel
from pipeline.dispatch.trucks import Truck, equal_trucks, read_trucks, start_point
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import read_registers
from pipeline.report.fault_cards import fault_cards
from pipeline.report.names import page_name
from pipeline.report.words import count
from pipeline.storage.layout import PLAN_FOLDER
from pipeline.storage.output_location import Out, read_out
from pipeline.storage.table_files import write_csv
from pipeline.workorder.tables import earlier_on_pages, read_latest

_WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True)
class DispatchResult:
    """The plan, notes on how it came about, and the folder it is written in.

    `address` is what people call that place; `folder` may be a copy of it, and is None where nothing was written.
    """

    plan: DispatchPlan
    notes: tuple[str, ...]
    folder: Path | None
    address: str


def dispatch_night(
    lake: Path,
    out: Path,
    settings: Settings,
    *,
    first_day: date | None = None,
    today: date | None = None,
    is_dry_run: bool = False,
) -> DispatchResult:
    """Plan the visits of OUT/latest and write OUT/dispatch/AS_OF: tables, calendars, a page a truck and day, an index.

    Parameters
    ----------
    lake, out
        The lake that `nightly` read and the OUT that it published to.
    settings
        [dispatch], [orders], [ranking] and [object_store].
    first_day
        Planned whatever day of the week it is; None: the first work day after the night.
    today
        Days before it and before the new plan that an earlier plan of the same night has are kept as they were:
        trucks went out by them, and nights remember whom they went to. None: there are no such days.
    is_dry_run
        Write nothing.

    Raises
    ------
    InputError
        No published run in `out`; a lake, trucks.csv or drive_times.csv that can't be used, where and why; a plan for
        days that are gone, unless it is a dry run.
    """
    with read_out(out, settings) as working_out:
        as_of, night = read_latest(working_out.local, TABLES)
        if not is_dry_run:
            refuse_gone_first_day(first_day, as_of)
        days = work_days(
            first_day or as_of + timedelta(days=1), settings.dispatch, is_fixed=first_day is not None
        )
        past_before = min(today or days[0], days[0])
        past = read_past_days(working_out.local / PLAN_FOLDER / str(as_of), past_before)
        opened = open_lake(lake, settings)
        with opened.naming():
            return _dispatch(
                opened, working_out, as_of, night=night, days=days, past=past, today=today,
                is_dry_run=is_dry_run, settings=settings,
            )  # fmt: skip


def _dispatch(
    lake: Lake,
    out: Out,
    as_of: date,
    *,
    night: Mapping[str, pl.DataFrame],
    days: Sequence[date],
    past: PastDays,
    today: date | None,
    is_dry_run: bool,
    settings: Settings,
) -> DispatchResult:
    registers = read_registers(lake, as_of)
    sites, contacts = registers.sites, {}
    if settings.privacy.share_contacts:  # a plan is a folder that others may read
        contacts = registers.contacts.rows_by_key("site_id", named=True, unique=True, include_key=True)
    listed = read_stops(night, sites)
    calls = safety_calls(night)
    held = listed.join(calls.drop("area"), on="site_id", maintain_order="left")
    free = listed.join(calls, on="site_id", how="anti", maintain_order="left")
    stops = free.join(past.dispatch, on="site_id", how="anti", maintain_order="left")
    trucks, truck_notes = _trucks(lake.source.beside("trucks.csv"), stops, sites, settings.dispatch)
    travel, travel_notes = _travel(
        lake.source.beside("drive_times.csv"), stops, trucks, sites, settings.dispatch
    )
    plan = plan_days(stops, trucks, travel, days=days, settings=settings)
    plan = with_safety_calls(plan, held)
    last = f" to {days[-1]}" if len(days) > 1 else ""
    span = f"{count(len(days), 'day')}, {days[0]}{last}, {count(len(trucks), 'truck')} each"
    notes = (
        *truck_notes,
        *travel_notes,
        *_past_notes(past, free.height - stops.height),
        f"{span}; the first day has the visits of the highest expected value.",
    )
    if is_dry_run:
        return DispatchResult(plan, notes, None, "")
    kits = stop_kits(stops, night["sites"], settings.orders)
    zones = dict(sites.select("site_id", "timezone").iter_rows())
    remembered = {
        "dispatch": pl.concat([past.dispatch, plan.dispatch]),
        "truck_days": pl.concat([past.truck_days, plan.truck_days]),
        "undispatched": plan.undispatched,
    }
    folder = f"{PLAN_FOLDER}/{as_of}"
    if today is not None and (today - as_of).days <= settings.alarm.stale_days:  # older nights aren't driven
        refuse_other_plan(out.local / folder / "dispatch.parquet", remembered["dispatch"], today)

    def write(folder: Path) -> None:
        for name, table in remembered.items():
            table.write_parquet(folder / f"{name}.parquet", compression="zstd")
            write_csv(table, folder / f"{name}.csv")
        past.copy_pages(folder)
        pages = PageInput(
            as_of=as_of, plan=plan, stops=stops, trucks=trucks, kits=kits, notes=notes,
            safety_calls=calls, faults=fault_cards(), currency=settings.ranking.currency,
            links=find_links(out.pages(as_of), stops["site_id"].to_list(), calls["site_id"].to_list()),
            calendars=write_calendars(folder, plan.dispatch, zones, as_of=as_of, line_counts=home_lines(night)),
            past_pages=[page.name for page in past.pages],
            earlier=earlier_on_pages(out.local, settings), contacts=contacts, line_counts=home_lines(night),
        )  # fmt: skip
        write_pages(folder, pages, settings.dispatch.page_rows)

    replace_folder(out.local / folder, write)
    address = out.hand_in_pages(folder, last="dispatch.parquet")
    return DispatchResult(plan, notes, out.local / folder, address)


def with_safety_calls(plan: DispatchPlan, held: pl.DataFrame) -> DispatchPlan:
    """Return the plan with `held` first among those on no day: listed homes with an open safety call.

    `held` are rows of revisit_list with the call's status as `safety_call`.
    """
    why = pl.format(
        "safety call ({}): suspected loose service neutral, no CT work before it is cleared", "safety_call"
    )
    rows = held.with_columns(reason=pl.lit("safety_call"), why=why, needs_min=None)
    rows = rows.select(UNDISPATCHED.names()).cast(UNDISPATCHED)
    return replace(plan, undispatched=pl.concat([rows, plan.undispatched]))


def replace_folder(target: Path, write: Callable[[Path], None]) -> None:
    """Have `write` fill a new folder beside `target`, then put it in its place.

    If `write` fails, `target` stays as it was; if the last step does, the old folder is put back.

    Raises
    ------
    OSError
        The folder can't be written.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent, prefix=".building-") as temporary:
        new, old = Path(temporary) / "new", Path(temporary) / "old"
        new.mkdir()
        write(new)
        sync_folder(new)
        if target.exists():
            target.rename(old)
        try:
            new.rename(target)
        except OSError:
            if old.exists():
                shutil.move(old, target)
            raise


def work_days(first: date, settings: DispatchSettings, *, is_fixed: bool) -> tuple[date, ...]:
    """Return the next [dispatch].days work days from `first` on; `first` itself counts if `is_fixed`."""
    days: list[date] = []
    day = first
    while len(days) < settings.days:
        if _WEEK[day.weekday()] in settings.work_days or (is_fixed and day == first):
            days.append(day)
        day += timedelta(days=1)
    return tuple(days)


def _trucks(
    path: Path | None, stops: pl.DataFrame, sites: pl.DataFrame, settings: DispatchSettings
) -> tuple[list[Truck], list[str]]:
    """Return the trucks and what to know about them."""
    start = start_point(settings, stops)
    if path is not None:
        areas = set(sites["area"].drop_nulls())
        trucks, without_start = read_trucks(path, settings, start, areas=areas)
        notes = [f"{count(len(trucks), 'truck')} from {path.name}."]
    else:
        trucks = equal_trucks(settings, start)
        without_start = len(trucks)
        shifts = f"{count(len(trucks), 'truck')} of {settings.hours:g} hours"
        notes = [f"No trucks.csv in the lake: {shifts} from the settings."]
    if without_start and not settings.start:
        notes.append(
            f"No start point given for {without_start} of {count(len(trucks), 'truck')}: the middle of the stops "
            f"({start[0]:.4f}, {start[1]:.4f}) stands in."
        )
    return trucks, notes


def _travel(
    path: Path | None,
    stops: pl.DataFrame,
    trucks: Sequence[Truck],
    sites: pl.DataFrame,
    settings: DispatchSettings,
) -> tuple[Travel, list[str]]:
    """Return the drive times between stops and trucks, and what to know about them."""
    latitude = np.array([*stops["latitude"].fill_null(np.nan), *(truck.latitude for truck in trucks)])
    longitude = np.array([*stops["longitude"].fill_null(np.nan), *(truck.longitude for truck in trucks)])
    estimate = f"great circle times {settings.road_factor:g} at {settings.speed_km_h:g} km/h"
    if path is None:
        return Travel(latitude, longitude, settings), [f"Drive times are estimated: {estimate}."]
    site_ids = set(sites["site_id"])
    supplied, unknown = read_drive_times(path, stops["site_id"].to_list(), trucks, sites=site_ids)
    travel = Travel(latitude, longitude, settings, supplied)
    start, end = np.arange(len(travel))[:, None], np.arange(len(travel))[None, :]
    is_pair = (start != end) & ((start < stops.height) | (end < stops.height))  # not from truck to truck
    missing, pairs = (is_pair & ~travel.is_supplied(start, end)).sum(), is_pair.sum()
    notes = [
        f"Drive times from {path.name}; {missing} of {pairs} pairs are not in it and are estimated: {estimate}."
    ]
    if unknown:
        rows = count(unknown, "row")
        notes.append(
            f"{rows} of {path.name} with a name that is neither a home of the site record nor a truck."
        )
    return travel, notes


def _past_notes(past: PastDays, homes: int) -> list[str]:
    """Return that homes are left out because a truck went there by the earlier plan, if there are any."""
    if not homes:
        return []
    return [
        f"{count(homes, 'home')} planned for {' and '.join(str(day) for day in past.days)}, already past: left as "
        "planned then. Run a night on what the visits found before you plan them again."
    ]


def find_links(
    places: Sequence[tuple[str, Collection[str]]], sites: Sequence[str], called: Sequence[str]
) -> Links:
    """Return the addresses of the night's report, of its orders and of each home's pages, from the plan's folder.

    `places` are `Out.pages`: the orders' folder, then that of the run's home pages. Homes `called` have an open safety
    call: their record among all homes links its page.
    """
    (orders, order_names), (homes, home_names) = places
    names = {site: page_name(site) for site in sites}
    report = f"../../{homes.removesuffix('/home')}"
    return Links(
        report=f"{report}/index.html",
        orders=f"../../{orders}/index.html" if "index.html" in order_names else None,
        home_pages={site: f"../../{homes}/{name}" for site, name in names.items() if name in home_names}
        | {site: f"{report}/homes.html#{quote(site, safe='')}" for site in called},
        order_pages={site: f"../../{orders}/{name}" for site, name in names.items() if name in order_names},
    )
