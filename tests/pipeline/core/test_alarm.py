"""An alarm is one line with its numbers; names of other hands don't act in it, and only a clock makes a lake stale."""

from __future__ import annotations

from datetime import date

import pytest

from pipeline.core.alarm import ALARM, NOTE, Alarm, alarm, count_of, note, places, read, stale, table
from pipeline.core.settings import load_settings

OWN = load_settings().alarm
NEWEST = date(2026, 6, 14)


def test_alarms_come_before_notes_each_in_the_order_found() -> None:
    lines = [
        note("late", "one day", "run.json"),
        alarm("no_rows", "nothing", "lake"),
        alarm("list_up", "2 to 40", "change"),
    ]

    kept = table(lines)

    assert kept["code"].to_list() == ["no_rows", "list_up", "late"]
    assert kept["severity"].to_list() == [ALARM, ALARM, NOTE]
    assert read(kept) == [lines[1], lines[2], lines[0]]
    assert read(table([])) == []


def test_names_do_not_act_on_a_terminal_or_break_the_line() -> None:
    said = alarm("area_silent", "no row from " + places({"North\n\x1b[2JSouth": 6}), "lake")

    assert said == Alarm(ALARM, "area_silent", r"no row from North \x1b[2JSouth (6 homes)", "lake")


def test_areas_are_named_biggest_first_and_not_without_end() -> None:
    counts = {None: 1, "east": 1_200, "west": 7, "a": 3, "b": 3, "c": 2, "d": 1}

    assert (
        places(counts)
        == "east (1,200 homes), west (7 homes), a (3 homes), b (3 homes), c (2 homes) and 2 more"
    )
    assert places({None: 1}) == "no area (1 home)"
    assert count_of(0, "row") == "0 rows"


@pytest.mark.parametrize(
    ("days_old", "is_scheduled", "severities"),
    [
        pytest.param(OWN.stale_days - 1, True, [], id="the newest day is young"),
        pytest.param(OWN.stale_days, True, [ALARM], id="a schedule that gets nothing new"),
        pytest.param(OWN.stale_days, False, [NOTE], id="a lake that somebody looks at again"),
    ],
)
def test_an_old_newest_day_is_an_alarm_where_a_new_one_is_expected(
    days_old: int, is_scheduled: bool, severities: list[str]
) -> None:
    today = date.fromordinal(NEWEST.toordinal() + days_old)

    found = stale(NEWEST, today, OWN, is_scheduled=is_scheduled)

    assert [line.severity for line in found] == severities
    assert all(f"{NEWEST}, {days_old} days ago" in line.told for line in found)


def test_a_cron_of_ones_own_can_ask_for_the_alarm() -> None:
    own = OWN.model_copy(update={"stale_alarm": True})
    assert [line.severity for line in stale(NEWEST, date(2026, 7, 14), own)] == [ALARM]
