"""A lake is stale when its next day is later than days have been; where nothing is known, after some days."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import pytest

from pipeline.core.alarm import ALARM, NOTE
from pipeline.core.settings import load_settings
from pipeline.nightly.arrival_memory import Memory, Night
from pipeline.nightly.freshness import Freshness, judge_freshness

OWN = load_settings().alarm
TODAY = date(2026, 6, 15)
MORNING = datetime(2026, 6, 15, 9, 30, tzinfo=UTC)
NOBODY = Memory()


def lake_to(newest: date) -> list[date]:
    return [newest - timedelta(days=back) for back in range(29, -1, -1)]


def nights(*newest_back: int, last: datetime = MORNING - timedelta(days=1), verdict: str = "fresh") -> Memory:
    """Nights, the last at `last` and one a day before: each saw a newest day so many days before its own."""
    count = len(newest_back)
    ats = [last - timedelta(days=count - 1 - number) for number in range(count)]
    return Memory(
        tuple(
            Night(at, at.date() - timedelta(days=back), verdict)
            for at, back in zip(ats, newest_back, strict=True)
        )
    )


def judge(
    newest: date,
    memory: Memory = NOBODY,
    *,
    files_h: float | Sequence[float] | None = None,
    now: datetime = MORNING,
    is_asked: bool = True,
) -> Freshness:
    days = lake_to(newest)
    lags = [] if files_h is None else [files_h] * 10 if isinstance(files_h, float | int) else files_h
    return judge_freshness(
        days,
        now,
        memory,
        over=max(day for day in days if day < now.date()),
        first_lags_h=dict(zip(days[::-1], lags, strict=False)),
        is_asked=is_asked,
        settings=OWN,
    )


def days_ago(count: int) -> date:
    return TODAY - timedelta(days=count)


@pytest.mark.parametrize(
    ("newest", "memory", "verdict"),
    [
        pytest.param(days_ago(OWN.stale_days - 1), NOBODY, "fresh", id="nothing known, and young"),
        pytest.param(days_ago(OWN.stale_days), NOBODY, "stale", id="nothing known, and old"),
        pytest.param(days_ago(OWN.history_days), NOBODY, "stale", id="a feed that died weeks ago"),
        pytest.param(days_ago(OWN.history_days + 1), NOBODY, "history", id="a lake of long ago, by hand"),
        pytest.param(
            days_ago(200), nights(199, verdict="history"), "history", id="a lake of long ago, night after night"
        ),
        pytest.param(days_ago(70), nights(69, verdict="stale"), "stale", id="an outage never becomes history"),
        pytest.param(days_ago(1), nights(1, 1, 1), "fresh", id="daily, and here"),
        pytest.param(days_ago(2), nights(1, 1, 1), "stale", id="daily, and not here this morning"),
        pytest.param(days_ago(2), nights(1), "stale", id="the second night of all"),
        pytest.param(days_ago(2), nights(2, 2, 2), "fresh", id="a day late as ever"),
        pytest.param(days_ago(3), nights(2, 2, 2), "stale", id="a day later than ever"),
        pytest.param(days_ago(2), nights(1, 1, 2, 1, 1), "stale", id="one failure put right is no custom"),
        pytest.param(days_ago(2), nights(1, 2, 1, 1, 2, 1, 1), "fresh", id="now and then a day late"),
        pytest.param(days_ago(3), nights(1, 1, 2), "stale", id="and it goes on"),
        pytest.param(days_ago(1), nights(0, 0, 0), "stale", id="batches: nothing of the day that runs"),
        pytest.param(days_ago(0), nights(0, 0, 0), "fresh", id="batches, and here"),
    ],
)  # fmt: skip
def test_later_than_days_have_been_is_stale(newest: date, memory: Memory, verdict: str) -> None:
    found = judge(newest, memory)

    assert found.verdict == verdict
    severity = {"fresh": None, "stale": ALARM, "history": NOTE}[verdict]
    assert (found.line.severity if found.line else None) == severity


@pytest.mark.parametrize(
    ("newest", "files_h", "verdict"),
    [
        pytest.param(days_ago(2), 2.0, "stale", id="came at two hours, now over nine: on the first night"),
        pytest.param(days_ago(2), 8.4, "stale", id="came an hour before"),
        pytest.param(days_ago(2), 32.0, "fresh", id="comes a day late"),
        pytest.param(days_ago(3), 32.0, "stale", id="later than a day late"),
        pytest.param(days_ago(2), [2.0, 30.0, *[2.0] * 8], "stale", id="one late file is no custom"),
        pytest.param(days_ago(2), [2.0, 30.0, 2.0, 30.0, *[2.0] * 6], "fresh", id="some late files are"),
    ],
)  # fmt: skip
def test_the_times_of_files_tell_it_on_a_first_night(
    newest: date, files_h: float | Sequence[float], verdict: str
) -> None:
    assert judge(newest, files_h=files_h).verdict == verdict


def test_by_hand_before_the_files_usually_come_nothing_is_late() -> None:
    at_one = MORNING.replace(hour=1)
    assert judge(days_ago(2), nights(1, 1, 1), now=at_one).verdict == "fresh"


def test_weekends_without_data_are_learned() -> None:
    """Files of Saturday and Sunday come on Monday afternoon, when the third weekend is there no alarm any more."""
    verdicts = {}
    memory = Memory()
    for number in range(28):
        now = datetime(2026, 6, 2, 9, 30, tzinfo=UTC) + timedelta(days=number)  # a Tuesday
        weekday = now.weekday()
        newest = now.date() - timedelta(days={6: 2, 0: 3}.get(weekday, 1))
        found = judge_freshness(
            lake_to(newest), now, memory, over=newest, first_lags_h={}, is_asked=True, settings=OWN
        )
        verdicts[number] = found.verdict
        memory = Memory((*memory.nights, Night(now, newest, found.verdict)))

    weekends = [verdicts[number] for number in (5, 6, 12, 13, 19, 20, 26, 27)]
    assert weekends == ["stale"] * 4 + ["fresh"] * 4
    assert {verdicts[number] for number in range(28) if number % 7 not in (5, 6)} == {"fresh"}


def test_a_day_that_was_named_is_not_judged() -> None:
    found = judge(days_ago(20), nights(1), is_asked=False)
    assert (found.verdict, found.line) == ("not asked", None)


def test_the_record_and_the_line_have_the_numbers() -> None:
    found = judge(days_ago(2), nights(1, 1, 1))

    assert found.record() == {
        "verdict": "stale", "newest_day": "2026-06-13", "lag_h": 33.5, "awaited_h": 33.5, "usual_h": 33.0,
    }  # fmt: skip
    assert found.line is not None
    assert found.line.told == (
        "nothing of 2026-06-14 is here 33.5 h after it began, of late there was something of a day by 33.0 h;"
        " the lake's newest day that is over is 2026-06-13, 2 days ago"
    )
