"""The plan for people: a printable page a truck and day, and a first page with what is unscheduled."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.line_words import LineWords, fleet_words
from pipeline.dispatch.calendars import ALL_TRUCKS
from pipeline.dispatch.picture import route_map
from pipeline.dispatch.plan import DispatchPlan
from pipeline.dispatch.trucks import Truck
from pipeline.faults.kit import Item, beyond_standard, truck_load
from pipeline.faults.types import CAUTIONS
from pipeline.report import FaultCard, words
from pipeline.report.names import truck_day_page
from pipeline.report.page_templates import environment, report_style, write_page
from pipeline.worklist.earlier_visits import EarlierVisits

REASONS = {
    "safety_call": "a safety call comes first",
    "days_full": "every day is full",
    "not_worth_the_drive": "expected value below the cost of the drive",
    "too_far": "too far for a shift",
    "no_truck": "no truck serves the area",
    "no_coordinates": "no coordinates and no drive time",
}


@dataclass(frozen=True)
class Links:
    """Addresses from the plan's folder: the night's `report`, the `orders` of all homes, and those of each home.

    `home_pages` and `order_pages` have a home's page and its order by site_id, where there is one.
    """

    report: str
    orders: str | None = None
    home_pages: Mapping[str, str] = field(default_factory=dict)
    order_pages: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class PageInput:
    """What the pages show.

    The plan of the night `as_of`, its `stops` (plan.STOPS), `trucks` and each home's kit, `notes` on how it came
    about, the night's `safety_calls` (site_id, safety_call, area), the faults' cards, `links`, the `calendars` by
    truck_id, the `currency` of expected values, and `past_pages`: truck pages of days already gone, by name.
    `line_counts` says how many lines a home has by site_id, two where it is not in it; `contacts` has `address` and
    `access_note` by site_id where a crew may see them, `earlier` the visits before by site_id.
    """

    as_of: date
    plan: DispatchPlan
    stops: pl.DataFrame
    trucks: Sequence[Truck]
    kits: Mapping[str, tuple[Item, ...]]
    notes: Sequence[str]
    safety_calls: pl.DataFrame
    faults: Mapping[str, FaultCard]
    links: Links
    calendars: Mapping[str, str]
    currency: str
    past_pages: Sequence[str] = ()
    contacts: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    earlier: Mapping[str, EarlierVisits] = field(default_factory=dict)
    line_counts: Mapping[str, int] = field(default_factory=dict)

    def called(self, sites: Iterable[str]) -> LineWords:
        """Return what the lines of these homes are called: legs where none has more than two."""
        return fleet_words(self.line_counts.get(site) for site in sites)


def write_pages(folder: Path, night: PageInput, page_rows: int) -> None:
    """Write index.html and one page a truck and day; the first page lists `page_rows` unscheduled homes.

    Pages open from disk and never reach for the network.
    """
    pages = environment("pipeline.dispatch", night.faults)
    pages.filters["weekday"] = weekday
    pages.globals |= {
        "css": report_style(),
        "as_of": night.as_of,
        "links": night.links,
        "earlier": night.earlier,
        "currency": night.currency,
    }
    rounds = [_round(night, total) for total in night.plan.truck_days.iter_rows(named=True)]
    for trip in rounds:
        write_page(folder / trip["page"], pages, "truck_day.html", values=trip)
    unscheduled = night.plan.undispatched
    planned = night.plan.dispatch
    values = {
        "notes": night.notes,
        "rounds": rounds,
        "planned": planned.height,
        "visits": planned.height + unscheduled.height,
        "ordered": sum(site in night.links.order_pages for site in planned["site_id"]),
        "left": unscheduled.head(page_rows).to_dicts(),
        "left_in_all": unscheduled.height,
        "reasons": reason_counts(unscheduled),
        "safety": night.safety_calls.head(page_rows).to_dicts(),
        "safety_in_all": night.safety_calls.height,
        "called": night.called(night.safety_calls["site_id"]),
        "calendar": ALL_TRUCKS,
        "past_pages": night.past_pages,
    }
    write_page(folder / "index.html", pages, "index.html", values=values)


def reason_counts(unscheduled: pl.DataFrame) -> list[tuple[str, int]]:
    """Return why homes are unscheduled, in words, with how many there are of each."""
    counts = dict(unscheduled.group_by("reason").len().iter_rows())
    return [(text, counts[code]) for code, text in REASONS.items() if code in counts]


def weekday(day: date) -> str:
    """Return a date as Mon 15 Jun 2026."""
    return f"{('Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat', 'Sun')[day.weekday()]} {words.day(day)}"


def _round(night: PageInput, total: dict[str, Any]) -> dict[str, Any]:
    """Return the template values of one truck's day."""
    truck = next(truck for truck in night.trucks if truck.truck_id == total["truck_id"])
    places = night.stops.select("site_id", pl.col("latitude", "longitude").fill_null(float("nan")))
    stops = night.plan.dispatch.filter(day=total["day"], truck_id=total["truck_id"])
    rows = [
        row
        | {"kit": beyond_standard(night.kits.get(row["site_id"], ()))}
        | {"line_count": night.line_counts.get(row["site_id"], 2)}
        | {name: night.contacts.get(row["site_id"], {}).get(name) for name in ("address", "access_note")}
        for row in stops.join(places, on="site_id", maintain_order="left").to_dicts()
    ]
    cards = [night.faults[row["suspected_fault"]] for row in rows if row["suspected_fault"] in night.faults]
    cautions = dict.fromkeys([*CAUTIONS, *(text for card in cards for text in card.cautions)])
    load = truck_load({row["stop"]: night.kits.get(row["site_id"], ()) for row in rows})
    return {
        **total,
        "rows": rows,
        "page": truck_day_page(total["day"], total["truck_id"]),
        "calendar": night.calendars.get(total["truck_id"]),
        "cautions": [night.called(stops["site_id"]).retell(text) for text in cautions],
        "parts": [loaded for loaded in load if loaded.item.quantity is not None],
        "tools": [loaded for loaded in load if loaded.item.quantity is None],
        "map": route_map(
            (truck.latitude, truck.longitude),
            [(row["stop"], (row["latitude"], row["longitude"])) for row in rows],
        ),
    }
