"""What is usually there by an hour: seen by nights, else told by files; twice makes a custom, an outage never does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import NoReturn

import polars as pl

from pipeline.core.settings import load_settings
from pipeline.nightly.arrival_memory import Look, Memory, with_looks
from pipeline.nightly.arrival_times import end_of
from pipeline.nightly.usual_arrival import PastDays, as_due, due_shares

OWN = load_settings().alarm
JUDGED = date(2026, 6, 14)
HOUR_H = 9.5
HOMES = ("a", "b")
PULSE = pl.DataFrame(
    {
        "site_id": HOMES,
        "days_before": [7, 7],
        "covered_before_min": [1440.0, 1440.0],
        "is_heard": [True, True],
    }
)


def back(days: int) -> date:
    return JUDGED - timedelta(days=days)


def minutes(**homes: float) -> pl.DataFrame:
    return pl.DataFrame(
        {"site_id": list(homes), "covered_min": list(homes.values())},
        schema={"site_id": pl.String, "covered_min": float},
    )


def whole(day: date) -> pl.DataFrame:
    return minutes(a=1440.0, b=1440.0)


def not_read(day: date, at: datetime) -> NoReturn:
    raise AssertionError(f"{day} was read again")


def seen(*looks: tuple[date, float, Mapping[str, float]]) -> PastDays:
    """Days that nights looked at: (day, hours after its end, what covered so many minutes of it then)."""
    memory = Memory()
    for day, lag_h, lacking in looks:
        kept, rows = with_looks(memory, [(Look(day, 0, lag_h), minutes(**lacking))], back(99))
        memory = replace(memory, looks=kept, lacking=rows)
    days = tuple({day: None for day, _, _ in looks})
    return PastDays(days, whole, not_read, {}, memory)


def late(count: int, **lacking: float) -> list[tuple[date, float, Mapping[str, float]]]:
    """`count` days before that lacked rows at the hour and were whole a day later, each on its own."""
    return [
        look
        for days in range(1, count + 1)
        for look in ((back(days), HOUR_H, lacking), (back(days), HOUR_H + 24, {}))
    ]


def on_time(first: int, count: int) -> list[tuple[date, float, Mapping[str, float]]]:
    return [(back(days), HOUR_H, {}) for days in range(first, first + count)]


def share(past: PastDays, lag_h: float = HOUR_H) -> dict[str, float]:
    return dict(due_shares(past, PULSE, JUDGED, lag_h, settings=OWN).sort("site_id").iter_rows())


def test_what_was_never_there_by_the_hour_is_not_due() -> None:
    assert share(seen(*late(5, b=0.0))) == {"a": 1.0, "b": 0.0}
    assert share(seen(*late(5, a=720.0, b=720.0))) == {"a": 0.5, "b": 0.5}


def test_one_day_that_was_late_and_came_is_no_custom_but_two_are() -> None:
    assert share(seen(*late(1, b=0.0), *on_time(2, 9)))["b"] == 1.0
    assert share(seen(*late(2, b=0.0), *on_time(3, 8)))["b"] == 0.0


def test_where_one_day_is_all_that_is_known_it_counts() -> None:
    assert share(seen((back(1), HOUR_H, {"b": 0.0}))) == {"a": 1.0, "b": 0.0}


def test_days_of_an_outage_that_came_together_are_one_time() -> None:
    outage = [
        (back(days), HOUR_H + 24 * night, {"b": 0.0} if days - night > 1 else {})
        for days in (4, 3, 2)
        for night in range(3)
    ]
    assert share(seen(*outage, *on_time(5, 9)))["b"] == 1.0


def test_on_the_morning_on_which_an_outage_came_nothing_has_become_usual() -> None:
    outage = [(back(days), HOUR_H + 24 * night, {"b": 0.0}) for days in (3, 2, 1) for night in range(days)]
    assert share(seen(*outage, *on_time(4, 9)))["b"] == 1.0


def test_what_never_came_does_not_count() -> None:
    past = replace(seen(*late(5, b=0.0)), covered=lambda day: minutes(a=1440.0, b=30.0))
    assert share(past) == {"a": 1.0}


def test_another_hour_says_nothing() -> None:
    assert share(seen(*[look for look in late(5, b=0.0) if look[1] == HOUR_H]), lag_h=20.0) == {}


def by_files(*arrived_h: Sequence[float], then: pl.DataFrame | None = None) -> PastDays:
    """Days before, newest first, whose files came so many hours after their ends."""
    times = {
        back(days): tuple(end_of(back(days)) + timedelta(hours=hours) for hours in of_day)
        for days, of_day in enumerate(arrived_h, start=1)
    }
    covered_at = not_read if then is None else lambda day, at: then
    return PastDays(tuple(times), whole, covered_at, times, Memory())


def test_without_nights_the_files_tell_and_days_that_were_whole_are_not_read_again() -> None:
    assert share(by_files(*[(8.0,)] * 3)) == {"a": 1.0, "b": 1.0}
    assert share(by_files(*[(2.0, 14.0)] * 3, then=minutes(a=720.0))) == {"a": 0.5, "b": 0.0}


def test_days_of_which_nothing_had_come_are_not_compared_with() -> None:
    """A night at that hour would have judged the day before: the files were written again, or come later."""
    assert share(by_files(*[(26.0,)] * 3)) == {}


def test_what_a_night_saw_counts_before_the_times_of_files() -> None:
    nights, files = seen(*on_time(1, 3)), by_files(*[(2.0, 14.0)] * 3)
    assert share(replace(files, memory=nights.memory)) == {"a": 1.0, "b": 1.0}


def test_homes_that_are_not_due_do_not_count_and_others_are_held_to_their_usual() -> None:
    held = as_due(PULSE, pl.DataFrame({"site_id": ["b", "a"], "due_share": [0.0, 0.5]}))

    assert held.columns == PULSE.columns
    assert held["days_before"].to_list() == [7, 0]
    assert held["covered_before_min"].to_list() == [720.0, 0.0]
    assert as_due(PULSE, pl.DataFrame(schema={"site_id": pl.String, "due_share": pl.Float64})).equals(PULSE)
