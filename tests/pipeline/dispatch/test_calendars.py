"""Calendars parsed back: every stop once, in UTC, the same bytes twice, nothing of a customer beyond the home's id."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from dispatch_homes import FRIDAY, MONDAY, plan, stops, truck
from icalendar import Calendar

from pipeline.dispatch.calendars import ALL_TRUCKS, write_calendars

DENVER = "America/Denver"
HOSTILE = "a,b;c\\d\r\nEND:VCALENDAR\u2028" + "long " * 30


def events(file: Path) -> list[dict[str, Any]]:
    return [
        {name: event.decoded(name) for name in ("uid", "dtstart", "dtend", "dtstamp", "sequence")}
        | {name: str(event[name]) for name in ("summary", "description")}
        for event in Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    ]


def calendars(
    folder: Path,
    *homes: dict[str, Any],
    zone: str | None = DENVER,
    as_of: date = FRIDAY,
    trucks: tuple = (truck(),),
) -> tuple[Any, dict[str, str]]:
    result = plan(stops(*homes), list(trucks))
    folder.mkdir(exist_ok=True)
    zones = dict.fromkeys(result.dispatch["site_id"], zone)
    return result.dispatch, write_calendars(folder, result.dispatch, zones, as_of=as_of)


@pytest.mark.parametrize(("zone", "offset_h"), [(DENVER, 6), ("Asia/Kolkata", -5.5), (None, 0)])
def test_each_stop_is_an_event_at_its_local_time(tmp_path: Path, zone: str | None, offset_h: float) -> None:
    dispatch, _ = calendars(tmp_path, {}, {}, zone=zone)
    found = events(tmp_path / ALL_TRUCKS)
    assert len(found) == dispatch.height == 2
    for event, row in zip(found, dispatch.iter_rows(named=True), strict=True):
        local = datetime.strptime(f"{row['day']} {row['arrive_at']}", "%Y-%m-%d %H:%M").replace(tzinfo=UTC)
        assert event["dtstart"] == local + timedelta(hours=offset_h)
        assert event["dtend"] - event["dtstart"] == timedelta(minutes=row["minutes_on_site"])
        assert event["dtstart"].tzinfo is not None
    assert b"DTSTART:20260615T" in (tmp_path / ALL_TRUCKS).read_bytes()


def test_a_truck_has_its_own_and_all_have_one(tmp_path: Path) -> None:
    homes = [{"area": area, "minutes_on_site": 100} for area in ("north", "south") * 2]
    _, files = calendars(tmp_path, *homes, trucks=(truck("N", ("north",)), truck("../S", ("south",))))
    assert sorted(files) == ["../S", "N"]
    by_truck = [events(tmp_path / name) for name in files.values()]
    assert [len(found) for found in by_truck] == [2, 2]
    assert sorted(event["uid"] for found in by_truck for event in found) == sorted(
        event["uid"] for event in events(tmp_path / ALL_TRUCKS)
    )
    assert {path.name for path in tmp_path.iterdir()} == {ALL_TRUCKS, *files.values()}


def test_the_same_plan_gives_the_same_bytes_and_a_later_one_moves_the_event(tmp_path: Path) -> None:
    calendars(tmp_path, {})
    first = (tmp_path / ALL_TRUCKS).read_bytes()
    (before,) = events(tmp_path / ALL_TRUCKS)
    calendars(tmp_path, {})
    assert (tmp_path / ALL_TRUCKS).read_bytes() == first
    assert before["dtstamp"] == datetime(2026, 6, 12, tzinfo=UTC)

    calendars(tmp_path, {}, as_of=MONDAY)
    (later,) = events(tmp_path / ALL_TRUCKS)
    assert later["uid"] == before["uid"]
    assert later["sequence"] > before["sequence"]
    calendars(tmp_path, {"suspected_fault": "reversed"})
    assert events(tmp_path / ALL_TRUCKS)[0]["uid"] != before["uid"]


def test_an_event_says_what_is_suspected(tmp_path: Path) -> None:
    calendars(tmp_path, {"fault_likelihood": 0.86, "likelihood": 0.997})
    (event,) = events(tmp_path / ALL_TRUCKS)
    assert event["summary"] == "h0: no signal (open lead), L1 suspected"
    first, _ = event["description"].split("\n")
    assert first.startswith("Truck T1, stop 1 of 1, 30 min on site, ")
    assert "0 min drive there (estimated)" in event["description"]
    assert "86 % this fault, over 99 % any fault" in event["description"]


def test_hostile_and_long_ids_stay_inside_their_line(tmp_path: Path) -> None:
    calendars(tmp_path, {"site_id": HOSTILE})
    written = (tmp_path / ALL_TRUCKS).read_bytes()
    lines = written.split(b"\r\n")
    assert max(map(len, lines)) <= 75
    assert b"\n" not in b"".join(lines)
    assert written.count(b"END:VCALENDAR\r\n") == 1
    (event,) = events(tmp_path / ALL_TRUCKS)
    assert event["summary"].startswith("a,b;c\\d END:VCALENDAR\\u2028long long")


def test_a_shift_until_midnight_ends_on_the_next_day(tmp_path: Path) -> None:
    late = truck(hours=1, start_min=23 * 60)
    calendars(tmp_path, {"minutes_on_site": 60}, trucks=(late,), zone="UTC")
    (event,) = events(tmp_path / ALL_TRUCKS)
    assert event["dtend"] == datetime(2026, 6, 16, tzinfo=UTC)
