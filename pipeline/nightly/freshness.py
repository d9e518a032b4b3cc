"""Whether the lake is fed: its newest day against when days usually come; the one thing that hangs on the clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from pipeline.core.alarm import Alarm, alarm, count_of, note
from pipeline.core.setting_sections import AlarmSettings
from pipeline.nightly.arrival_memory import AGAIN_H, Memory, Night
from pipeline.nightly.arrival_times import lag_h

FRESH, STALE, HISTORY, NOT_ASKED = "fresh", "stale", "history", "not asked"
# Nights further apart than this say little about when the days between came.
_NIGHTS_APART = timedelta(hours=36)
_LOOK = "who sends the data; freshness in run.json"


@dataclass(frozen=True)
class Freshness:
    """How fresh the lake is at a night.

    `newest_day` is the newest day that has files, the one still running too; `lag_h` [h] the time since the end of the
    newest that is over; `awaited_h` [h] since the beginning of the first day that isn't there, and `usual_h` [h] by
    when such a day has been there of late (None: not known). `line` is what to say.
    """

    verdict: str
    newest_day: date
    lag_h: float
    awaited_h: float
    usual_h: float | None
    line: Alarm | None

    def record(self) -> dict[str, Any]:
        """Return what run.json keeps of it."""
        usual = None if self.usual_h is None else round(self.usual_h, 2)
        return {
            "verdict": self.verdict,
            "newest_day": str(self.newest_day),
            "lag_h": round(self.lag_h, 2),
            "awaited_h": round(self.awaited_h, 2),
            "usual_h": usual,
        }


def judge_freshness(
    days: Sequence[date],
    now: datetime,
    memory: Memory,
    *,
    over: date,
    first_lags_h: Mapping[date, float],
    is_asked: bool,
    settings: AlarmSettings,
) -> Freshness:
    """Return how fresh a lake is: stale if the next day is later than days have been.

    Where nothing is known of that, it is stale from [alarm] stale_days on. A lake that was never fresh and whose newest
    day is older than [alarm] history_days is history: somebody looks at it by hand.

    Parameters
    ----------
    days
        Days that have files, oldest first, at least one that is over.
    now
        The time, UTC.
    memory
        What earlier nights saw.
    over
        The newest day that is over and whole: `Lake.newest_finished_day`.
    first_lags_h
        By day when its first file arrived [h after its end], of days whose files' times say something.
    is_asked
        Whether the night takes the newest day by itself: nobody asks how fresh a day is that was named.
    settings
        Section [alarm].
    """
    today = now.date()
    newest = max(day for day in days if day <= today)
    age_days, lag = (today - over).days, lag_h(over, now)
    awaited = newest + timedelta(days=1)
    awaited_h = lag_h(awaited, now) + 24
    usual = usual_arrival_h(memory, first_lags_h, awaited, settings=settings)
    was_live = any(night.verdict in (FRESH, STALE) for night in memory.nights)
    told = f"the lake's newest day that is over is {over}, {count_of(age_days, 'day')} ago"

    def result(verdict: str, line: Alarm | None = None) -> Freshness:
        return Freshness(verdict, newest, lag, awaited_h, None if usual is None else usual + 24, line)

    if not is_asked:
        return result(NOT_ASKED)
    if age_days > settings.history_days and not was_live:
        text = (
            f"{told}: taken for a record of the past, not a feed that has stopped: it was never fresher here"
        )
        return result(HISTORY, note("history", text, _LOOK))
    if usual is None:
        return (
            result(STALE, alarm("stale", told, _LOOK)) if age_days >= settings.stale_days else result(FRESH)
        )
    if awaited_h - 24 < usual:
        return result(FRESH)
    usually = f"of late there was something of a day by {usual + 24:,.1f} h"
    late = f"nothing of {awaited} is here {awaited_h:,.1f} h after it began, {usually}; {told}"
    return result(STALE, alarm("stale", late, _LOOK))


def usual_arrival_h(
    memory: Memory, first_lags_h: Mapping[date, float], awaited: date, *, settings: AlarmSettings
) -> float | None:
    """Return by when days have begun to arrive of late [h after their end; below 0 before]; None: not known.

    The second longest time of the days before `awaited`, so that one failure which was put right doesn't become
    usual; the longest where it is the only one. Days that one night saw for the first time are one occasion.

    Parameters
    ----------
    memory, first_lags_h
        As `judge_freshness`.
    awaited
        The first day that isn't there.
    settings
        Section [alarm].
    """
    first = awaited - timedelta(days=settings.arrival_days)
    by_files = {
        day: lag + settings.arrival_slack_h for day, lag in first_lags_h.items() if first <= day < awaited
    }
    by_nights = {day: seen for day, seen in _first_seen(memory.nights).items() if first <= day < awaited}
    occasions: dict[str, float] = {}
    for day in by_files.keys() | by_nights.keys():
        night, seen_h = by_nights.get(day, (str(day), float("inf")))
        by_when = min(seen_h - AGAIN_H, by_files.get(day, float("inf")))
        occasions[night] = max(occasions.get(night, float("-inf")), by_when)
    longest = sorted(occasions.values(), reverse=True)[:2]
    return longest[-1] if longest else None


def _first_seen(nights: Sequence[Night]) -> dict[date, tuple[str, float]]:
    """Return by day which night saw it first, and when [h after its end].

    Days that are new since the night before count; of a first night, and after a pause, the newest alone.
    """
    seen: dict[date, tuple[str, float]] = {}
    before: Night | None = None
    for night in nights:
        days = [night.newest_day]
        if before is not None and night.at - before.at <= _NIGHTS_APART:
            new = (night.newest_day - before.newest_day).days
            days = [night.newest_day - timedelta(days=back) for back in range(new)]
        for day in days:
            seen.setdefault(day, (night.at.isoformat(), lag_h(day, night.at)))
        before = night
    return seen
