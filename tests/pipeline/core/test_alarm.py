"""An alarm is one line with its numbers; names of other hands don't act in it."""

from __future__ import annotations

from pipeline.core.alarm import ALARM, NOTE, Alarm, alarm, count_of, note, places, read, table


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
