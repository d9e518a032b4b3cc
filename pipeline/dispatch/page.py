"""The plan for people: a printable page a truck and day, and a first page with what fits no day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import jinja2
import polars as pl

from pipeline.dispatch.picture import route_map
from pipeline.dispatch.plan import DispatchPlan
from pipeline.dispatch.trucks import Truck
from pipeline.faults.types import CAUTIONS
from pipeline.report import FaultCard, words
from pipeline.report.names import page_name
from pipeline.report.page_templates import environment, report_style

_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
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

    The plan of the night `as_of`, its `stops` (plan.STOPS) and `trucks`, `notes` on how it was made, the faults'
    cards, and `links` site_id -> address of the home's page where it has one.
    """

    as_of: date
    plan: DispatchPlan
    stops: pl.DataFrame
    trucks: Sequence[Truck]
    notes: Sequence[str]
    faults: Mapping[str, FaultCard]
    links: Mapping[str, str]


def write_pages(folder: Path, shown: PageInput, page_rows: int) -> None:
    """Write index.html and one page a truck and day; the first page lists `page_rows` undispatched homes.

    Pages open from disk and never reach for the network.
    """
    pages = _environment()
    rounds = [_round(shown, row) for row in shown.plan.truck_days.iter_rows(named=True)]
    for one in rounds:
        _write(folder / one["page"], pages, "truck_day.html", {"as_of": shown.as_of, **one})
    left = shown.plan.undispatched
    counts = dict(left.group_by("reason").len().iter_rows())
    values = {
        "as_of": shown.as_of,
        "notes": shown.notes,
        "days": [
            {"day": day, "rounds": [one for one in rounds if one["day"] == day]}
            for day in sorted({one["day"] for one in rounds})
        ],
        "planned": shown.plan.dispatch.height,
        "left": [
            {**row, "link": shown.links.get(row["site_id"])}
            for row in left.head(page_rows).iter_rows(named=True)
        ],
        "left_in_all": left.height,
        "reasons": [(text, counts[code]) for code, text in REASONS.items() if code in counts],
    }
    _write(folder / "index.html", pages, "index.html", values)


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
    return f"{_WEEKDAYS[day.weekday()]} {words.day(day)}"


def _round(shown: PageInput, total: dict[str, Any]) -> dict[str, Any]:
    """Return the template values of one truck's day."""
    is_own = (pl.col("day") == total["day"]) & (pl.col("truck_id") == total["truck_id"])
    truck = next(truck for truck in shown.trucks if truck.truck_id == total["truck_id"])
    rows = [
        {
            **row,
            "fault_name": words.fault(row["suspected_fault"], shown.faults),
            "leg_name": words.leg(row["leg"]),
            "link": shown.links.get(row["site_id"]),
        }
        for row in shown.plan.dispatch.filter(is_own).iter_rows(named=True)
    ]
    places = {
        site: (
            float("nan") if latitude is None else latitude,
            float("nan") if longitude is None else longitude,
        )
        for site, latitude, longitude in shown.stops.select("site_id", "latitude", "longitude").iter_rows()
    }
    cards = [shown.faults[row["suspected_fault"]] for row in rows if row["suspected_fault"] in shown.faults]
    special = dict.fromkeys(caution for card in cards for caution in card.cautions)
    return {
        **total,
        "rows": rows,
        "page": f"{total['day']}-{page_name(total['truck_id'])}",
        "cautions": [*CAUTIONS, *(caution for caution in special if caution not in CAUTIONS)],
        "bring": bring_list(rows),
        "map": route_map(
            (truck.latitude, truck.longitude), [(row["stop"], places[row["site_id"]]) for row in rows]
        ),
    }


def _environment() -> jinja2.Environment:
    pages = environment("pipeline.dispatch")
    pages.filters |= {
        "percent": words.percent, "number": words.number, "day": words.day, "minutes": words.minutes,
        "weekday": weekday,
    }  # fmt: skip
    pages.globals |= {"count": words.count, "css": report_style()}
    return pages


def _write(target: Path, pages: jinja2.Environment, template: str, values: dict[str, Any]) -> None:
    target.write_bytes(pages.get_template(template).render(values).encode("utf-8"))
