"""From a published night and a lake to a written plan."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.core.errors import InputError
from pipeline.core.setting_sections import DispatchSettings
from pipeline.core.settings import Settings
from pipeline.dispatch.drive_times import read_drive_times
from pipeline.dispatch.files import replace_folder
from pipeline.dispatch.page import PageInput, write_pages
from pipeline.dispatch.plan import STOPS, DispatchPlan, plan_days
from pipeline.dispatch.travel import Travel
from pipeline.dispatch.trucks import Truck, alike_trucks, middle, read_trucks, start_point
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import read_registers
from pipeline.report.fault_cards import fault_cards
from pipeline.report.names import page_name
from pipeline.report.words import count
from pipeline.storage.output_location import Out, read_out
from pipeline.storage.publish import write_csv

FOLDER = "dispatch"
_WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True)
class Dispatched:
    """What was planned of the night `as_of`, the days it may fill, how it came about, and where it is written.

    `kept` is what people call that place; `folder` may be a copy of it.
    """

    as_of: date
    plan: DispatchPlan
    days: tuple[date, ...]
    notes: tuple[str, ...]
    folder: Path
    kept: str


def dispatch_night(lake: Path, out: Path, first_day: date | None, settings: Settings) -> Dispatched:
    """Plan the visits of OUT/latest and write OUT/dispatch/AS_OF: tables, a page a truck and day, an index.

    `first_day` is planned whatever day of the week it is; without it the first work day after the night.

    Raises
    ------
    InputError
        No published run in `out`; a lake, trucks.csv or drive_times.csv that can't be used, where and why.
    """
    with read_out(out, settings) as held:
        latest = _latest(held.local)
        opened = open_lake(lake, settings)
        with opened.naming():
            return _dispatched(opened, held, *latest, first_day, settings)


def _dispatched(
    opened: Lake, out: Out, as_of: date, listed: pl.DataFrame, first_day: date | None, settings: Settings
) -> Dispatched:
    sites = read_registers(opened, as_of).sites
    stops = _stops(listed, sites)
    own = settings.dispatch
    trucks, crew = _trucks(opened.source.beside("trucks.csv"), stops, sites, own)
    travel, told = _travel(opened.source.beside("drive_times.csv"), stops, trucks, sites, own)
    days = work_days(first_day or as_of + timedelta(days=1), own, is_fixed=first_day is not None)
    plan = plan_days(stops, trucks, travel, days, settings)
    links = _links(out.pages(as_of), stops["site_id"].to_list())
    notes = (*crew, *told, _days_note(days, len(trucks)))
    shown = PageInput(as_of, plan, stops, trucks, notes, fault_cards(), links)

    def write(folder: Path) -> None:
        for name in ("dispatch", "truck_days", "undispatched"):
            table: pl.DataFrame = getattr(plan, name)
            table.write_parquet(folder / f"{name}.parquet", compression="zstd")
            write_csv(table, folder / f"{name}.csv")
        write_pages(folder, shown, own.page_rows)

    folder = f"{FOLDER}/{as_of}"
    replace_folder(out.local / folder, write)
    kept = out.hand_in_pages(folder, last="dispatch.parquet")
    return Dispatched(as_of, plan, days, notes, out.local / folder, kept)


def work_days(first: date, own: DispatchSettings, *, is_fixed: bool) -> tuple[date, ...]:
    """Return the next [dispatch].days work days from `first` on; `first` itself counts if `is_fixed`."""
    found: list[date] = []
    day = first
    while len(found) < own.days:
        if _WEEK[day.weekday()] in own.work_days or (is_fixed and day == first):
            found.append(day)
        day += timedelta(days=1)
    return tuple(found)


def _latest(out: Path) -> tuple[date, pl.DataFrame]:
    latest = out / "latest"
    if not (latest / "run.json").is_file():
        raise InputError(f"{out}: no published run; run `nightclamp nightly LAKE --out {out}` first")
    run = json.loads((latest / "run.json").read_text(encoding="utf-8"))
    return date.fromisoformat(run["as_of"]), pl.read_parquet(latest / "revisit_list.parquet", glob=False)


def _stops(listed: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Return STOPS: the list's visits in its order, each with the register's place."""
    places = sites.select("site_id", "latitude", "longitude")
    visits = listed.filter(pl.col("fix_by") == "visit").sort("rank").join(
        places, on="site_id", how="left", maintain_order="left"
    )  # fmt: skip
    return visits.select(pl.col(name).cast(kind) for name, kind in STOPS.items())


def _trucks(
    path: Path | None, stops: pl.DataFrame, sites: pl.DataFrame, own: DispatchSettings
) -> tuple[list[Truck], list[str]]:
    start = start_point(own) or middle(stops)
    if path is not None:
        trucks, at_start = read_trucks(path, own, start, set(sites["area"].drop_nulls()))
        notes = [f"{count(len(trucks), 'truck')} from {path.name}."]
    else:
        trucks, at_start = alike_trucks(own, start), own.trucks
        notes = [
            f"No trucks.csv in the lake: {count(own.trucks, 'truck')} of {own.hours:g} hours from the settings."
        ]
    if at_start and not own.start:
        notes.append(
            f"No start point given for {at_start} of {count(len(trucks), 'truck')}: the middle of the stops "
            f"({start[0]:.4f}, {start[1]:.4f}) stands in."
        )
    return trucks, notes


def _travel(
    path: Path | None,
    stops: pl.DataFrame,
    trucks: Sequence[Truck],
    sites: pl.DataFrame,
    own: DispatchSettings,
) -> tuple[Travel, list[str]]:
    """Return the drive times between stops and trucks, and what to know about them."""
    latitude = np.array([*stops["latitude"].fill_null(np.nan), *(truck.latitude for truck in trucks)])
    longitude = np.array([*stops["longitude"].fill_null(np.nan), *(truck.longitude for truck in trucks)])
    guess = f"great circle times {own.road_factor:g} at {own.speed_km_h:g} km/h"
    if path is None:
        return Travel(latitude, longitude, own), [f"Drive times are estimated: {guess}."]
    given = read_drive_times(path, stops["site_id"].to_list(), trucks, set(sites["site_id"]))
    travel = Travel(latitude, longitude, own, given.supplied)
    places = np.arange(len(travel))
    is_trucks = (places[:, None] >= stops.height) & (places[None, :] >= stops.height)
    asked = ~is_trucks & (places[:, None] != places[None, :])
    missing = int((asked & ~travel.is_supplied(places[:, None], places[None, :])).sum())
    notes = [f"Drive times from {path.name}; {missing} of {int(asked.sum())} pairs are not in it: {guess}."]
    if given.strange:
        rows = count(given.strange, "row")
        notes.append(f"{rows} of {path.name} with a name that is neither a home of the register nor a truck.")
    return travel, notes


def _links(places: Sequence[tuple[str, Collection[str]]], sites: Sequence[str]) -> dict[str, str]:
    """Return where a home's work order, or else its page, lies from the plan's folder; without either nothing.

    `places` are `Out.pages`.
    """
    links = {}
    for site in sites:
        name = page_name(site)
        place = next((place for place, names in places if name in names), None)
        if place is not None:
            links[site] = f"../../{place}/{name}"
    return links


def _days_note(days: Sequence[date], trucks: int) -> str:
    last = f" to {days[-1]}" if len(days) > 1 else ""
    span = f"{count(len(days), 'day')}, {days[0]}{last}, {count(trucks, 'truck')} each"
    return f"{span}; the first day has the best of the list."
