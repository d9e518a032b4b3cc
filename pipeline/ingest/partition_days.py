"""How the days that partitions are named by lie beside UTC days, which is what a night is made of."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from pipeline.ingest.row_config import offset_min

# Clocks on earth are at most this far from UTC.
_MOST_EAST, _MOST_WEST = timedelta(hours=14), timedelta(hours=-12)
# A clock without summer time, or a label of the interval's end, puts a row this far beyond its local day.
_SLACK = timedelta(hours=1)
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class PartitionDays:
    """Partitions are UTC days, or, where `is_local`, days of `zone`; None: of each home's own zone, whatever it is."""

    is_local: bool = False
    zone: str | None = None

    def days(self, partition: date) -> list[date]:
        """Return the UTC days that the partition's day reaches into."""
        return _days(self._begin(partition), self._end(partition))

    def days_searched(self, partition: date) -> list[date]:
        """Return the UTC days that rows of the partition are taken on, oldest first; others are misplaced."""
        slack = _SLACK if self.is_local else timedelta(0)
        return _days(self._begin(partition) - slack, self._end(partition) + slack)

    def partitions(self, day: date) -> list[date]:
        """Return the partitions that may have rows of a UTC day, oldest first; its own is among them."""
        around = (day - _DAY, day, day + _DAY)
        return [partition for partition in around if day in self.days_searched(partition)]

    def is_over(self, partition: date, now: datetime) -> bool:
        """Tell whether the partition's day is over everywhere at `now` (UTC)."""
        return self._end(partition) <= now.astimezone(UTC)

    def is_to_come(self, partition: date, today: date) -> bool:
        """Tell whether the partition's day begins nowhere before the UTC day `today` is over."""
        return self._begin(partition) >= _midnight(today + _DAY)

    def last_whole_day(self, partition: date) -> date:
        """Return the last UTC day of which partitions up to this one have all rows."""
        end = _midnight(partition + _DAY) - _MOST_EAST if self._is_anywhere else self._end(partition)
        return end.date() - _DAY

    @property
    def _is_anywhere(self) -> bool:
        return self.is_local and self.zone is None

    def _begin(self, partition: date) -> datetime:
        """Return when the partition's day begins in UTC, at the earliest."""
        return _midnight(partition) - _MOST_EAST if self._is_anywhere else self._start_of(partition)

    def _end(self, partition: date) -> datetime:
        """Return when the partition's day ends in UTC, at the latest."""
        after = partition + _DAY
        return _midnight(after) - _MOST_WEST if self._is_anywhere else self._start_of(after)

    def _start_of(self, day: date) -> datetime:
        if not self.is_local or self.zone is None:
            return _midnight(day)
        offset = offset_min(self.zone)
        if offset is not None:
            return _midnight(day) - timedelta(minutes=offset)
        return datetime.combine(day, time(), ZoneInfo(self.zone)).astimezone(UTC)


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), UTC)


def _days(begin: datetime, end: datetime) -> list[date]:
    first, last = begin.date(), (end - timedelta(microseconds=1)).date()
    return [first + n * _DAY for n in range((last - first).days + 1)]
