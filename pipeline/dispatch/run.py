"""From a published night and a lake to a written plan."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.core.setting_sections import DispatchSettings
from pipeline.core.settings import Settings
from pipeline.dispatch.drive_times import read_drive_times
from pipeline.dispatch.page import PageInput, write_pages
from pipeline.dispatch.plan import STOPS, DispatchPlan, plan_days
from pipeline.dispatch.travel import Travel
from pipeline.dispatch.trucks import Truck, equal_trucks, read_trucks, start_point
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import read_registers
from pipeline.report.fault_cards import fault_cards
from pipeline.report.names import page_name
from pipeline.report.words import count
from pipeline.storage.output_location import Out, read_out
from pipeline.storage.publish import write_csv
from pipeline.worklist.earlier_visits import EarlierVisits
from pipeline.workorder.tables import earlier_on_pages, read_latest

FOLDER = "dispatch"
_WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True)
class DispatchResult:
    """The plan, notes on how it came about, and the folder it is written in.

    `address` is what people call that place; `folder` may be a copy of it.
    """

    plan: DispatchPlan
    notes: tuple[str, ...]
    folder: Path
    address: str


def dispatch_night(
    lake: Path, out: Path, settings: Settings, *, first_day: date | None = None
) -> DispatchResult:
    """Plan the visits of OUT/latest and write OUT/dispatch/AS_OF: tables, a page a truck and day, an index.

    Parameters
    ----------
    lake, out
        The lake that `nightly` read and the OUT that it published to.
    settings
        [dispatch], [ranking] and [object_store].
    first_day
        Planned whatever day of the week it is; None: the first work day after the night.

    Raises
    ------
    InputError
        No published run in `out`; a lake, trucks.csv or drive_times.csv that can't be used, where and why.
    """
    with read_out(out, settings) as working_out:
        as_of, frames = read_latest(working_out.local, ("revisit_list",))
        earlier = earlier_on_pages(working_out.local, settings)
        opened = open_lake(lake, settings)
        with opened.naming():
            visits = frames["revisit_list"].filter(pl.col("fix_by") == "visit").sort("rank")
            return _dispatch(
                opened, working_out, as_of, visits, first_day=first_day, earlier=earlier, settings=settings
            )


def _dispatch(
    lake: Lake,
    out: Out,
    as_of: date,
    visits: pl.DataFrame,
    *,
    first_day: date | None,
    earlier: Mapping[str, EarlierVisits],
    settings: Settings,
) -> DispatchResult:
    sites = read_registers(lake, as_of).sites
    places = sites.select("site_id", "latitude", "longitude")
    stops = visits.join(places, on="site_id", how="left", maintain_order="left").select(
        pl.col(name).cast(kind) for name, kind in STOPS.items()
    )
    trucks, truck_notes = _trucks(lake.source.beside("trucks.csv"), stops, sites, settings.dispatch)
    travel, travel_notes = _travel(
        lake.source.beside("drive_times.csv"), stops, trucks, sites, settings.dispatch
    )
    start = first_day or as_of + timedelta(days=1)
    days = work_days(start, settings.dispatch, is_fixed=first_day is not None)
    plan = plan_days(stops, trucks, travel, days=days, settings=settings)
    last = f" to {days[-1]}" if len(days) > 1 else ""
    span = f"{count(len(days), 'day')}, {days[0]}{last}, {count(len(trucks), 'truck')} each"
    notes = (*truck_notes, *travel_notes, f"{span}; the first day has the best of the list.")
    links = _links(out.pages(as_of), stops["site_id"].to_list())
    night = PageInput(as_of, plan, stops, trucks, notes, fault_cards(), links, earlier)

    def write(folder: Path) -> None:
        for name in ("dispatch", "truck_days", "undispatched"):
            table: pl.DataFrame = getattr(plan, name)
            table.write_parquet(folder / f"{name}.parquet", compression="zstd")
            write_csv(table, folder / f"{name}.csv")
        write_pages(folder, night, settings.dispatch.page_rows)

    folder = f"{FOLDER}/{as_of}"
    replace_folder(out.local / folder, write)
    address = out.hand_in_pages(folder, last="dispatch.parquet")
    return DispatchResult(plan, notes, out.local / folder, address)


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
    notes = [f"Drive times from {path.name}; {missing} of {pairs} pairs are not in it: {estimate}."]
    if unknown:
        rows = count(unknown, "row")
        notes.append(f"{rows} of {path.name} with a name that is neither a home of the register nor a truck.")
    return travel, notes


def _links(places: Sequence[tuple[str, Collection[str]]], sites: Sequence[str]) -> dict[str, str]:
    """Return where a home's work order, or else its page, lies from the plan's folder; without either nothing.

    `places` are `Out.pages`.
    """
    links: dict[str, str] = {}
    for place, names in reversed(places):  # the first place that has the page wins
        links |= {site: f"../../{place}/{page_name(site)}" for site in sites if page_name(site) in names}
    return links
