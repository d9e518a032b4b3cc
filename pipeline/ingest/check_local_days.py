"""Days that begin at the same wrong hour each time: partitions that were cut at local midnight, not at UTC's."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.ingest.check_problem import Problem

OUTSIDE = "interval_start lies outside its partition's UTC day"
FUTURE = "interval_start lies in the future, after the as-of day"
_HOUR_MIN, _DAY_MIN = 60, 1440
_LEAST_SHARE = 0.02  # half an hour a day is no zone's offset; single strays are none either
_MOST_OFFSET_MIN = 14 * _HOUR_MIN
_MOST_STARTS = 10 * _DAY_MIN  # of a block of rows; more are no pattern of minutes
_WHAT_TO_DO = 'write partitions = "local day" in lake.toml [intervals]'


@dataclass
class DayHours:
    """Of one partition: rows in, rows that lie outside, their starts [min from its midnight], and hours with rows."""

    day: date
    rows: int = 0
    outside: int = 0
    starts_min: set[int] = field(default_factory=set)
    hours: frozenset[int] = frozenset()

    def add(self, reason: str, rows: pl.Series) -> None:
        """Count rejected rows, given as JSON, if they lie outside the day."""
        if reason not in (OUTSIDE, FUTURE):
            return
        self.outside += rows.len()
        midnight = datetime.combine(self.day, time())
        starts = rows.drop_nulls().str.json_path_match("$.interval_start").str.to_datetime(strict=False)
        after = (starts.unique().drop_nulls() - midnight).dt.total_minutes()
        self.starts_min |= set(after.to_list()) if after.len() <= _MOST_STARTS else set()

    def offset_min(self) -> int | None:
        """Return the zone's minutes east of UTC that explain the rows outside, None where no zone does."""
        if not self.rows or self.outside < _LEAST_SHARE * self.rows or not self.starts_min:
            return None
        first, last = min(self.starts_min), max(self.starts_min)
        if first >= _DAY_MIN:  # the day ends late: its midnight is west of UTC's
            begins, span = first, last - _DAY_MIN
            steps = [after - before for before, after in pairwise(sorted(self.starts_min))]
            step = min(steps, default=_HOUR_MIN)
            offset = -(span + step)
            return offset if begins < _DAY_MIN + _HOUR_MIN and -offset <= _MOST_OFFSET_MIN else None
        if last < 0:
            return -first if last >= -_HOUR_MIN and -first <= _MOST_OFFSET_MIN else None
        return None

    def missing(self) -> tuple[int, ...]:
        """Return the hours without a row, where they are all at the day's beginning or all at its end."""
        gone = sorted(set(range(24)) - self.hours)
        is_edge = gone and len(gone) < 24 and (gone[-1] == len(gone) - 1 or gone[0] == 24 - len(gone))
        return tuple(gone) if is_edge else ()


def local_day_problems(days: Sequence[DayHours], zones: Sequence[str]) -> Iterator[Problem]:
    """Yield a line if most of the `days` read look like local days; `zones` are the homes' time zones."""
    heard = [day for day in days if day.rows]
    offsets = Counter(offset for day in heard if (offset := day.offset_min()) is not None)
    if offsets and offsets.total() > len(heard) / 2:
        offset, times = offsets.most_common(1)[0]
        if times > len(heard) / 2:
            share = sum(day.outside for day in heard) / sum(day.rows for day in heard)
            what = f"{100 * share:.0f} % of rows lie outside their partition's UTC day, at the same hours every day"
            zone = _zone(offset, zones, heard[-1].day)
            yield Problem("fail", "intervals", f"{what}: these look like local days ({zone})", _WHAT_TO_DO)
            return
    gaps = Counter(gone for day in heard if (gone := day.missing()))
    if len(heard) > 1 and gaps:
        gone, times = gaps.most_common(1)[0]
        if times > len(heard) / 2:
            is_west = gone[0] == 0
            offset = (-1 if is_west else 1) * len(gone) * _HOUR_MIN
            span = f"{gone[0]:02}:00 to {gone[-1] + 1:02}:00 UTC"
            what = f"{100 * len(gone) / 24:.0f} % missing at the same hours every day ({span})"
            zone = _zone(offset, zones, heard[-1].day)
            hint = f"send the rows that were cut off too, and {_WHAT_TO_DO}"
            yield Problem("note", "intervals", f"{what}: these look like local days ({zone})", hint)


def _zone(offset_min: int, zones: Sequence[str], day: date) -> str:
    """Return the homes' commonest zone that is so far from UTC on the day, and how far that is."""
    sign, hours, minutes = ("+" if offset_min > 0 else "-"), *divmod(abs(offset_min), _HOUR_MIN)
    told = f"UTC{sign}{hours}" + (f":{minutes:02}" if minutes else "")
    noon = datetime.combine(day, time(12), UTC)
    for zone, _ in Counter(zones).most_common():
        if noon.astimezone(ZoneInfo(zone)).utcoffset() == timedelta(minutes=offset_min):
            return f"{zone}, {told}"
    return told
