"""What nights saw goes from run to run: once a look, without end, and a run that can't be read knows nothing."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.nightly.arrival_memory import (
    ARRIVAL,
    MOST_NIGHTS,
    Look,
    Memory,
    Night,
    read_memory,
    with_looks,
    with_night,
)

DAY = date(2026, 6, 14)
AT = datetime(2026, 6, 15, 9, 30, tzinfo=UTC)
LACKING = pl.DataFrame({"site_id": ["b", "a"], "covered_min": [0.0, 300.0]})


def looked(*lags_h: float, day: date = DAY) -> Memory:
    """A day that lacked two homes' rows at each look but the last, when it was whole."""
    seen = [(Look(day, 0, lag), LACKING if lag < lags_h[-1] else LACKING.clear()) for lag in lags_h]
    looks, lacking = with_looks(Memory(), seen, day)
    return Memory(looks=looks, lacking=lacking)


def test_a_look_says_who_lacked_rows_and_when_half_of_them_had_come() -> None:
    memory = looked(9.5, 33.5, 57.5)
    first, second, last = memory.looks

    assert [look.number for look in memory.looks] == [1, 2, 3]
    assert memory.lacked(first).rows() == [("a", 300.0), ("b", 0.0)]
    assert memory.lacked(last).is_empty()
    assert memory.came_on(first) == memory.came_on(second) == date(2026, 6, 17)
    assert memory.came_on(last) is None
    assert memory.look_like(DAY, 10.5) == first
    assert memory.look_like(DAY, 20.0) is None


def test_a_second_look_at_the_same_hour_says_nothing_new_and_old_days_go() -> None:
    memory = looked(9.5, 33.5)

    looks, lacking = with_looks(memory, [(Look(DAY, 0, 9.6), LACKING.clear())], DAY)
    assert (looks, lacking.rows()) == (memory.looks, memory.lacking.rows())

    looks, lacking = with_looks(memory, [], DAY + timedelta(days=1))
    assert (looks, lacking.schema, lacking.height) == ((), ARRIVAL, 0)


def test_nights_of_one_date_that_saw_the_same_count_once_and_the_oldest_go() -> None:
    nights: tuple[Night, ...] = ()
    for number in range(MOST_NIGHTS + 5):
        at = AT + timedelta(days=number)
        for hours, newest in ((0, DAY), (3, DAY), (6, DAY + timedelta(days=1))):
            night = Night(at + timedelta(hours=hours), newest + timedelta(days=number), "fresh")
            nights = with_night(Memory(nights), night)

    assert len(nights) == MOST_NIGHTS
    assert [(night.at.hour, night.newest_day - night.at.date()) for night in nights[-2:]] == [
        (9, timedelta(days=-1)), (15, timedelta(0)),
    ]  # fmt: skip


def publish(folder: Path, memory: Memory) -> Path:
    folder.mkdir()
    (folder / "run.json").write_text(json.dumps({"freshness": memory.record()}), encoding="utf-8")
    memory.lacking.write_parquet(folder / "arrival.parquet")
    return folder


def test_it_is_read_back_as_it_was(tmp_path: Path) -> None:
    kept = looked(9.5, 33.5)
    memory = Memory((Night(AT, DAY, "fresh"),), kept.looks, kept.lacking, (DAY,))
    folder = publish(tmp_path / "run", memory)

    read = read_memory(tmp_path / "none", folder)

    assert (read.nights, read.looks, read.awaited) == (memory.nights, memory.looks, memory.awaited)
    assert read.lacking.equals(memory.lacking)


def test_a_run_that_is_replaced_knows_more_than_the_run_before_but_what_is_awaited_is_said_by_that(
    tmp_path: Path,
) -> None:
    before = publish(tmp_path / "before", Memory((Night(AT, DAY, "fresh"),), awaited=(DAY,)))
    later = Night(AT + timedelta(days=1), DAY, "stale")
    again = publish(tmp_path / "again", Memory((Night(AT, DAY, "fresh"), later)))

    read = read_memory(again, before)

    assert read.nights[-1] == later
    assert read.awaited == (DAY,)


@pytest.mark.parametrize("text", ["", "{}", '{"freshness": {"nights": [1]}}', "[]"])
def test_a_run_that_cannot_be_read_or_is_older_knows_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / "run.json").write_text(text, encoding="utf-8")

    memory = read_memory(tmp_path / "none", tmp_path)

    assert (memory.nights, memory.looks, memory.awaited, memory.lacking.height) == ((), (), (), 0)


def test_files_that_are_younger_than_what_a_night_saw_are_written_again() -> None:
    memory = Memory((Night(AT, DAY, "fresh"),))

    assert memory.contradicts({DAY: (AT + timedelta(hours=1),)})
    assert not memory.contradicts({DAY: (AT - timedelta(hours=1), AT + timedelta(hours=9))})
    assert not memory.contradicts({DAY - timedelta(days=1): (AT + timedelta(hours=1),)})
