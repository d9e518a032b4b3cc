"""What didn't come: alarms of the newest day and of awaited ones, unless so much is usually missing by this hour."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl

from pipeline.core.alarm import ALARM, Alarm, alarm, note
from pipeline.core.setting_sections import AlarmSettings
from pipeline.features.update_store import StoredDay
from pipeline.nightly.arrival_memory import (
    LACKS_SHARE,
    Look,
    Night,
    read_memory,
    with_looks,
    with_night,
)
from pipeline.nightly.arrival_times import arrival_times, covered, covered_at, first_lags_h, lag_h
from pipeline.nightly.data_alarms import missing_row_alarms
from pipeline.nightly.freshness import Freshness, judge_freshness
from pipeline.nightly.night_inputs import NightInputs
from pipeline.nightly.usual_arrival import PastDays, as_due, due_shares

_LOOKED_AT = 3  # newest days whose lacking homes each night notes
Pulse = Callable[[date], pl.DataFrame]


@dataclass(frozen=True)
class Arrival:
    """What came and didn't: its alarms and notes, how fresh the lake is, table arrival, and its record in run.json."""

    lines: list[Alarm]
    freshness: Freshness
    lacking: pl.DataFrame
    record: dict[str, Any]


def watch_arrival(inputs: NightInputs, stored: list[StoredDay], pulse_of: Pulse) -> Arrival:
    """Return what came and what didn't.

    `pulse_of` returns table site_pulse, with the `area` of each home, of one of the `stored` days. A day of which so
    much is usually missing by this hour raises no alarm but is awaited; the first night by which it should be whole and
    isn't raises one, and no later night does.
    """
    own, now = inputs.settings.alarm, inputs.now
    memory = read_memory(inputs.store.root.parent / "runs" / str(inputs.as_of), inputs.previous)
    first = inputs.as_of - timedelta(days=own.arrival_days)
    is_recent = lag_h(inputs.as_of, now) <= 24 * own.arrival_days
    recent = [day for day in inputs.lake.days() if is_recent and first <= day <= now.date()]
    times = arrival_times(inputs.lake, recent, now)
    if memory.contradicts(times):
        times = {}
    lake = _LakeThen(inputs, {day.day: day for day in stored}, times)
    past = PastDays(tuple(lake.stored), lake.covered, lake.covered_at, lake.times, memory)
    lines: list[Alarm] = []
    awaited: list[date] = []
    for day in (*memory.awaited, inputs.as_of):
        if day not in lake.stored or not lake.stored[day].counts.used:
            continue  # alarm no_rows, or note days_gone
        found, is_awaited = _missing(past, pulse_of(day), day, lag_h(day, now), settings=own)
        is_newest = day == inputs.as_of
        lines += found if is_newest else [_overdue(line, day) for line in found if line.severity == ALARM]
        awaited += [day] if is_awaited else []
    freshness = judge_freshness(
        inputs.lake.days(), now, memory, over=inputs.lake.newest_finished_day(now),
        first_lags_h=first_lags_h(lake.times), is_asked=inputs.request.as_of is None, settings=own,
    )  # fmt: skip
    looks, lacking = memory.looks, memory.lacking
    if is_recent and inputs.as_of in lake.stored:
        usual = pulse_of(inputs.as_of).filter(pl.col("days_before") > 0)
        days = {inputs.as_of - timedelta(days=back) for back in range(_LOOKED_AT)} | set(memory.awaited)
        seen = [
            (Look(day, 0, lag_h(day, now)), _lacking(usual, lake.covered(day)))
            for day in sorted(days & lake.stored.keys())
        ]
        looks, lacking = with_looks(memory, [*lake.looks, *seen], first)
    nights = with_night(memory, Night(now, freshness.newest_day, freshness.verdict))
    kept = replace(memory, nights=nights, looks=looks, lacking=lacking, awaited=tuple(awaited))
    return Arrival(lines, freshness, lacking, {**freshness.record(), **kept.record()})


class _LakeThen:
    """Days as they are and as they were when some of their files hadn't come; `times` of the files, day by day."""

    def __init__(
        self,
        inputs: NightInputs,
        stored: Mapping[date, StoredDay],
        times: Mapping[date, tuple[datetime, ...]],
    ) -> None:
        self.inputs, self.stored, self.times = inputs, stored, times
        # As if nights had looked at what was read again: the next ones needn't read it once more.
        self.looks: list[tuple[Look, pl.DataFrame]] = []

    def covered(self, day: date) -> pl.DataFrame:
        """Return `site_id`, `covered_min` [min] of a day."""
        return covered(self.stored[day], self.inputs.store)

    def covered_at(self, day: date, at: datetime) -> pl.DataFrame:
        """Return the same as it was."""
        inputs = self.inputs
        with inputs.connect() as con:
            then = covered_at(
                con, inputs.lake, day, at=at, registers=inputs.registers, settings=inputs.settings,
                workdir=inputs.scratch,
            )  # fmt: skip
        lacked = _lacking(self.covered(day).rename({"covered_min": "covered_before_min"}), then)
        last = self.times[day][-1]
        self.looks += [
            (Look(day, 0, lag_h(day, at)), lacked),
            (Look(day, 0, lag_h(day, last)), lacked.clear()),
        ]
        return then


def _missing(
    past: PastDays, pulse: pl.DataFrame, day: date, lag_h: float, *, settings: AlarmSettings
) -> tuple[list[Alarm], bool]:
    """Return the alarms of rows that a day lacks, or a note if that is usual by this hour; and whether it is."""
    found = missing_row_alarms(pulse, day, settings)
    if not found or lag_h > 24 * settings.arrival_days:
        return found, False
    due = due_shares(past, pulse, day, lag_h=lag_h, settings=settings)
    if due.is_empty():
        return found, False
    left = missing_row_alarms(as_due(pulse, due), day, settings, is_by_hour=True)
    if left:
        return left, False
    return [
        note(
            "late_as_usual",
            f"not all of {day} is here {lag_h:.0f} h after its end, which is usual by then: {line.told}",
            "run.json (freshness)",
        )
        for line in found
    ], True


def _overdue(line: Alarm, day: date) -> Alarm:
    return alarm("overdue", f"{day} should be whole by now: {line.told}", line.look)


def _lacking(usual: pl.DataFrame, now: pl.DataFrame) -> pl.DataFrame:
    """Return `site_id`, `covered_min` [min] of the homes that cover less of a day than is usual for them."""
    here = usual.join(
        now.select("site_id", now_min="covered_min"), on="site_id", how="left", maintain_order="left"
    )
    covered_min = pl.col("now_min").fill_null(0.0)
    lacks = covered_min < LACKS_SHARE * pl.col("covered_before_min")
    return here.filter(lacks).select("site_id", covered_min.alias("covered_min"))
