"""What nights saw of the newest days when they ran: kept in run.json (freshness) and table arrival, run after run."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.nightly.arrival_times import end_of
from pipeline.worklist.tables import earlier_table

# One row a home that lacked rows of a day when a night looked at it; `look` numbers the looks at that day, whose time
# run.json (freshness.looks) has: a table is the same whenever its night is run.
ARRIVAL = pl.Schema({"day": pl.Date, "look": pl.Int64, "site_id": pl.String, "covered_min": pl.Float64})
LACKS_SHARE = 0.9  # a home lacks rows if it covers less than this share of its usual time
SAME_HOUR_H = 3.0  # looks at two days this near in time after the days' ends are compared
AGAIN_H = 0.5  # a second look at a day within this time says nothing new
MOST_NIGHTS = 60


@dataclass(frozen=True)
class Look:
    """That a night looked at `day` for the `number`-th time, `lag_h` hours after its end."""

    day: date
    number: int
    lag_h: float


@dataclass(frozen=True)
class Night:
    """When a night ran, the newest day that the lake had then, and whether that was held to be fresh."""

    at: datetime
    newest_day: date
    verdict: str


@dataclass(frozen=True)
class Memory:
    """The nights so far, oldest first; the looks and the homes that lacked rows (ARRIVAL); the days held back."""

    nights: tuple[Night, ...] = ()
    looks: tuple[Look, ...] = ()
    lacking: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=ARRIVAL))
    awaited: tuple[date, ...] = ()

    def contradicts(self, times: Mapping[date, Sequence[datetime]]) -> bool:
        """Tell whether a night saw a day before its first file's time (`times`): then files are written again."""
        return any(
            night.newest_day in times and times[night.newest_day][0] > night.at for night in self.nights
        )

    def look_like(self, day: date, lag_h: float) -> Look | None:
        """Return the look at `day` that was nearest to `lag_h` after its end; None if none was near."""
        near = [look for look in self.looks if look.day == day and abs(look.lag_h - lag_h) <= SAME_HOUR_H]
        return min(near, key=lambda look: abs(look.lag_h - lag_h), default=None)

    def lacked(self, look: Look) -> pl.DataFrame:
        """Return `site_id`, `covered_min` [min] of the homes that lacked rows at a look."""
        rows = (pl.col("day") == look.day) & (pl.col("look") == look.number)
        return self.lacking.filter(rows).select("site_id", "covered_min")

    def came_on(self, look: Look) -> date | None:
        """Return the UTC day of the first look at the same day by which half of what it lacked was there."""
        lacked = self.lacked(look).height
        later = sorted((o for o in self.looks if o.day == look.day and o.lag_h > look.lag_h), key=_lag)
        return next(
            (_date_of(other) for other in later if 2 * self.lacked(other).height <= lacked),
            None,
        )

    def record(self) -> dict[str, Any]:
        """Return the part of it that run.json keeps."""
        return {
            "nights": [
                {"at": night.at.isoformat(timespec="seconds"), "newest_day": str(night.newest_day),
                 "verdict": night.verdict}
                for night in self.nights
            ],
            "looks": [
                {"day": str(look.day), "look": look.number, "lag_h": look.lag_h} for look in self.looks
            ],
            "awaited": [str(day) for day in self.awaited],
        }  # fmt: skip


def read_memory(rerun: Path, previous: Path | None) -> Memory:
    """Return what nights saw up to now: of the run that is about to be replaced, else of the run before.

    What is awaited is what the run before said. A run of an older version, or one that can't be read, knows nothing.
    """
    before = _read(previous)
    again = _read(rerun if (rerun / "run.json").is_file() else None)
    newest = again if again.nights else before
    return Memory(newest.nights, newest.looks, newest.lacking, before.awaited)


def _read(folder: Path | None) -> Memory:
    if folder is None:
        return Memory()
    try:
        run: Mapping[str, Any] = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        lacking = earlier_table(folder, "arrival")
        kept = run["freshness"]
        return Memory(
            tuple(
                Night(datetime.fromisoformat(n["at"]), date.fromisoformat(n["newest_day"]), str(n["verdict"]))
                for n in kept["nights"]
            ),
            tuple(
                Look(date.fromisoformat(o["day"]), int(o["look"]), float(o["lag_h"])) for o in kept["looks"]
            ),
            pl.DataFrame(schema=ARRIVAL)
            if lacking is None
            else lacking.select(ARRIVAL.names()).cast(ARRIVAL),
            tuple(date.fromisoformat(day) for day in kept["awaited"]),
        )
    except (OSError, ValueError, TypeError, KeyError, pl.exceptions.PolarsError):
        return Memory()


def with_night(memory: Memory, night: Night) -> tuple[Night, ...]:
    """Return the nights with this one more; of nights of one date that saw the same day the first is kept."""
    if any(o.at.date() == night.at.date() and o.newest_day == night.newest_day for o in memory.nights):
        return memory.nights
    return (*memory.nights, night)[-MOST_NIGHTS:]


def with_looks(
    memory: Memory, seen: Iterable[tuple[Look, pl.DataFrame]], first_day: date
) -> tuple[tuple[Look, ...], pl.DataFrame]:
    """Return the looks, those of tonight too, and ARRIVAL with what they found, from `first_day` on.

    `seen` holds looks, whose number is given here, each with `site_id` and `covered_min` of the homes that lack rows.
    """
    looks = [look for look in memory.looks if look.day >= first_day]
    parts = [memory.lacking.filter(pl.col("day") >= first_day)]
    for look, lacking in seen:
        same = [other for other in looks if other.day == look.day]
        if any(abs(other.lag_h - look.lag_h) < AGAIN_H for other in same):
            continue
        number = max((other.number for other in same), default=0) + 1
        looks.append(Look(look.day, number, round(look.lag_h, 2)))
        parts.append(
            lacking.select(
                pl.lit(look.day).alias("day"),
                pl.lit(number, pl.Int64).alias("look"),
                "site_id",
                "covered_min",
            ).cast(ARRIVAL)
        )
    return tuple(sorted(looks, key=_order)), pl.concat(parts).sort("day", "look", "site_id")


def _lag(look: Look) -> float:
    return look.lag_h


def _order(look: Look) -> tuple[date, int]:
    return look.day, look.number


def _date_of(look: Look) -> date:
    return (end_of(look.day) + timedelta(hours=look.lag_h)).date()
