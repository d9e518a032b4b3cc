"""The plan for people: a printable page a truck and day, and a first page with what fits no day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.dispatch.picture import route_map
from pipeline.dispatch.plan import DispatchPlan
from pipeline.dispatch.trucks import Truck
from pipeline.faults.types import CAUTIONS
from pipeline.report import FaultCard, words
from pipeline.report.names import page_name
from pipeline.report.page_templates import environment, report_style, write_page
from pipeline.worklist.earlier_visits import EarlierVisits

REASONS = {
    "days_full": "all days full",
    "not_worth_the_drive": "worth less than the drive",
    "too_far": "too far for a shift",
    "no_truck": "no truck serves the area",
    "no_coordinates": "no coordinates",
}


@dataclass(frozen=True)
class PageInput:
    """What the pages show.

    The plan of the night `as_of`, its `stops` (plan.STOPS) and `trucks`, `notes` on how it came about, the faults'
    cards, `links` site_id -> address of the home's page where it has one, and `earlier` the visits before by site_id.
    """

    as_of: date
    plan: DispatchPlan
    stops: pl.DataFrame
    trucks: Sequence[Truck]
    notes: Sequence[str]
    faults: Mapping[str, FaultCard]
    links: Mapping[str, str]
    earlier: Mapping[str, EarlierVisits] = field(default_factory=dict)


def write_pages(folder: Path, night: PageInput, page_rows: int) -> None:
    """Write index.html and one page a truck and day; the first page lists `page_rows` undispatched homes.

    Pages open from disk and never reach for the network.
    """
    pages = environment("pipeline.dispatch", night.faults)
    pages.filters["weekday"] = weekday
    pages.globals |= {
        "css": report_style(),
        "as_of": night.as_of,
        "links": night.links,
        "earlier": night.earlier,
    }
    rounds = [_round(night, total) for total in night.plan.truck_days.iter_rows(named=True)]
    for trip in rounds:
        write_page(folder / trip["page"], pages, "truck_day.html", values=trip)
    undispatched = night.plan.undispatched
    counts = dict(undispatched.group_by("reason").len().iter_rows())
    values = {
        "notes": night.notes,
        "rounds": rounds,
        "planned": night.plan.dispatch.height,
        "left": undispatched.head(page_rows).to_dicts(),
        "left_in_all": undispatched.height,
        "reasons": [(text, counts[code]) for code, text in REASONS.items() if code in counts],
    }
    write_page(folder / "index.html", pages, "index.html", values=values)


def bring_list(stops: Sequence[Mapping[str, Any]]) -> list[tuple[str, list[int]]]:
    """Return each thing to bring with the stops that need it, the most needed first."""
    needed: dict[str, list[int]] = {}
    for row in stops:
        for thing in dict.fromkeys((row["bring"] or "").split("; ")):
            if thing:
                needed.setdefault(thing, []).append(row["stop"])
    return sorted(needed.items(), key=lambda pair: (-len(pair[1]), pair[0]))


def weekday(day: date) -> str:
    """Return a date as Mon 15 Jun 2026."""
    return f"{('Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat', 'Sun')[day.weekday()]} {words.day(day)}"


def _round(night: PageInput, total: dict[str, Any]) -> dict[str, Any]:
    """Return the template values of one truck's day."""
    truck = next(truck for truck in night.trucks if truck.truck_id == total["truck_id"])
    places = night.stops.select("site_id", pl.col("latitude", "longitude").fill_null(float("nan")))
    stops = night.plan.dispatch.filter(day=total["day"], truck_id=total["truck_id"])
    rows = stops.join(places, on="site_id", maintain_order="left").to_dicts()
    cards = [night.faults[row["suspected_fault"]] for row in rows if row["suspected_fault"] in night.faults]
    points = [(row["stop"], (row["latitude"], row["longitude"])) for row in rows]
    return {
        **total,
        "rows": rows,
        "page": f"{total['day']}-{page_name(total['truck_id'])}",
        "cautions": list(dict.fromkeys([*CAUTIONS, *(text for card in cards for text in card.cautions)])),
        "bring": bring_list(rows),
        "map": route_map((truck.latitude, truck.longitude), points),
    }
