"""The plan as calendars (RFC 5545): one of all trucks and one a truck, an event a stop."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
from icalendar import Calendar, Event

from pipeline.core.terminal_text import one_line
from pipeline.dispatch.trucks import minutes_of
from pipeline.report import words
from pipeline.report.names import page_name

ALL_TRUCKS = "calendar.ics"


def write_calendars(
    folder: Path,
    dispatch: pl.DataFrame,
    zones: Mapping[str, str | None],
    *,
    as_of: date,
    line_counts: Mapping[str, int] | None = None,
) -> dict[str, str]:
    """Write ALL_TRUCKS and one calendar a truck with stops; return the files' names by truck_id.

    Parameters
    ----------
    folder
        Where the plan is written.
    dispatch
        Table dispatch; its clock times are local.
    zones
        site_id -> IANA time zone. A round runs by the clock that most of its homes have; UTC where none has any.
    as_of
        The night of the plan: the events' stamp, so that the same plan gives the same bytes.
    line_counts
        site_id -> how many lines the home has; two where it is not in it.

    Notes
    -----
    A visit keeps its UID from plan to plan as long as the same is suspected there, and a later night has the higher
    SEQUENCE: a calendar moves the event instead of doubling it. No address, name or note of a customer is in it.
    """
    events: dict[str, list[Event]] = {}
    for (_, truck_id), rows in dispatch.group_by("day", "truck_id", maintain_order=True):
        zone = _clock_zone([zones.get(site) for site in rows["site_id"]])
        events.setdefault(str(truck_id), []).extend(
            _event(row | {"line_count": (line_counts or {}).get(row["site_id"])}, rows.height, zone, as_of)
            for row in rows.iter_rows(named=True)
        )
    _write(folder / ALL_TRUCKS, "All trucks", [event for truck in events.values() for event in truck])
    files = {truck_id: page_name(truck_id).replace(".html", ".ics") for truck_id in events}
    for truck_id, name in files.items():
        _write(folder / name, f"Truck {one_line(truck_id)}", events[truck_id])
    return files


def _clock_zone(zones: list[str | None]) -> ZoneInfo:
    known = sorted(zone for zone in zones if zone)
    return ZoneInfo(max(known, key=known.count) if known else "UTC")


def _event(row: Mapping[str, Any], stops: int, zone: ZoneInfo, as_of: date) -> Event:
    start = _to_utc(row["day"], row["arrive_at"], zone)
    title = words.suspicion(row["suspected_fault"], row["leg"], line_count=row["line_count"])
    lines = [
        f"Truck {one_line(row['truck_id'])}, stop {row['stop']} of {stops}, "
        f"{words.minutes(row['minutes_on_site'])} on site, {words.minutes(row['drive_min'])} drive there "
        f"({row['drive_from']}).",
        f"Suspected, not found: {title}, {words.likelihoods(row['fault_likelihood'], row['likelihood'])}.",
    ]
    identity = "\0".join(row[name] or "" for name in ("site_id", "suspected_fault", "leg"))
    event = Event()
    event.add("uid", f"{hashlib.sha256(identity.encode()).hexdigest()[:32]}@nightclamp")
    event.add("dtstamp", datetime.combine(as_of, time(), UTC))
    event.add("sequence", as_of.toordinal())
    event.add("dtstart", start)
    event.add("dtend", start + timedelta(minutes=max(1, row["minutes_on_site"])))
    event.add("summary", f"{one_line(row['site_id'])}: {title} suspected")
    event.add("description", "\n".join(lines))
    return event


def _to_utc(day: date, clock: str, zone: ZoneInfo) -> datetime:
    """Return when the local clock shows `clock` ("24:00" is the end of the day)."""
    return (datetime.combine(day, time(), zone) + timedelta(minutes=minutes_of(clock))).astimezone(UTC)


def _write(file: Path, name: str, events: list[Event]) -> None:
    calendar = Calendar()
    calendar.add("prodid", "-//nightclamp//dispatch//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", name)
    for event in events:
        calendar.add_component(event)
    file.write_bytes(calendar.to_ical())
