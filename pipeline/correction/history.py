"""Since when a fault is there, further back than the night's window, and until when, by the days' own statistics.

Blocks of five days are judged by the night's own model: each has log odds that it has this fault on this leg. The
likeliest path through them (right or faulty, a change costs) gives the last run of faulty blocks; the days around its
edges, judged one by one, place the day. Nothing reaches across work at the home or before its commissioning.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.contract import FAULTS
from pipeline.correction.fault_evidence import fault_log_odds
from pipeline.correction.fault_runs import first_day, last_run, threshold
from pipeline.correction.layout import BY_DATA
from pipeline.correction.span_signals import span_signals
from pipeline.correction.yardstick import Yardstick
from pipeline.ingest.registers import Registers

Float = NDArray[np.float64]
BLOCK_DAYS = 5
NOW_BLOCKS = 6  # the newest, that say how plainly the home's days show its fault
DAY = timedelta(days=1)
BY_CHANGE, BY_FIRST_DAY = "a change in the data", "first day of data"
BY_COMMISSIONING, BY_WORK = "commissioning", "the last work at the home"
NOT_SEEN = "the readings day by day don't show it, so since when can't be told"
NO_DATA = "no readings of those days"


@dataclass(frozen=True)
class _Case:
    """One episode: the days it may span, the home's days with rows in them, and why it can't reach further back."""

    row: int
    days: tuple[date, ...]
    floor_by: str

    def blocks(self) -> list[tuple[date, date]]:
        """Return blocks of days that end with the newest day, oldest first."""
        first, last = self.days[0], self.days[-1]
        count = (last - first).days // BLOCK_DAYS + 1
        ends = [last - timedelta(days=BLOCK_DAYS * block) for block in range(count)]
        return [(max(first, end - timedelta(days=BLOCK_DAYS - 1)), end) for end in reversed(ends)]


def extend(
    con: duckdb.DuckDBPyConnection,
    episodes: pl.DataFrame,
    day_files: Sequence[Path],
    *,
    registers: Registers,
    yardstick: Yardstick,
    line_files: Sequence[Path] = (),
) -> pl.DataFrame:
    """Return the episodes with the days on which the data show the fault.

    `from_on` is set anew for each; `to_on` and `ended_by` where the readings are right again before the episode's end.
    Adds `from_basis` (what `from_on` rests on) and `known_from` (the first of the home's days that was looked at). An
    episode that its days don't show keeps its days and gets a `why_not`.

    Parameters
    ----------
    con
        Runs the queries.
    episodes
        Table EPISODE, not overlapping; `from_on` is not looked at, `to_on` is the last day it may reach to, null the
        registers' `as_of`.
    day_files
        Files of site_day, a day each, with all days of these homes.
    registers
        Homes, visits and repairs.
    yardstick
        What the days are judged by.
    line_files
        Files of line_day of the same days.
    """
    cases, found = _cases(episodes, day_files, registers), dict[int, _Found]()
    files = day_files, line_files
    blocks = {case.row: case.blocks() for case in cases}
    said = _log_odds(con, episodes, files, spans=blocks, yardstick=yardstick)
    runs = {}
    for case in cases:
        values = said[case.row]
        known = values[-NOW_BLOCKS:][~np.isnan(values[-NOW_BLOCKS:])]
        run = last_run(values - threshold(float(np.median(known)) if known.size else 0.0))
        if run is not None:
            runs[case.row] = blocks[case.row][run.first][0], blocks[case.row][run.last][1]
    edges = {case.row: _edge_days(case, *runs[case.row]) for case in cases if case.row in runs}
    spans = {row: [(day, day) for day in sorted({*starts, *ends})] for row, (starts, ends) in edges.items()}
    by_day = _log_odds(con, episodes, files, spans=spans, yardstick=yardstick)
    for case in cases:
        if case.row in runs:
            value_of = dict(zip((day for day, _ in spans[case.row]), by_day[case.row].tolist(), strict=True))
            found[case.row] = _placed(case, runs[case.row], edges[case.row], value_of)
    return _with_days(episodes, {case.row: case for case in cases}, found)


@dataclass(frozen=True)
class _Found:
    from_on: date
    to_on: date
    is_over: bool
    from_basis: str


def _edge_days(case: _Case, first: date, last: date) -> tuple[list[date], list[date]]:
    """Return the home's days around the run's first and its last day."""
    far, near = timedelta(days=2 * BLOCK_DAYS), timedelta(days=2 * BLOCK_DAYS - 1)
    starts = [day for day in case.days if first - far <= day <= min(first + near, last)]
    ends = [day for day in case.days if max(last - near, first) <= day <= last + far]
    return starts, ends


def _placed(
    case: _Case, run: tuple[date, date], edges: tuple[list[date], list[date]], said: Mapping[date, float]
) -> _Found:
    """Return the episode's days: the run's, with its edges where the days' log odds step."""
    (first, last), (starts, ends), block = run, edges, timedelta(days=BLOCK_DAYS)
    is_first, is_over = first <= case.days[0], last < case.days[-1]
    reach = [day for day in starts if day >= (first if is_first else first - block)]
    from_on = _edge(starts, said, reach[0], must_change=not is_first)
    to_on = case.days[-1]
    if is_over:
        reach = [day for day in ends if day <= last + block]
        to_on = max(from_on, _edge(ends[::-1], said, reach[-1], must_change=True))
    return _Found(from_on, to_on, is_over, BY_CHANGE if from_on > case.days[0] else case.floor_by)


def _edge(days: list[date], said: Mapping[date, float], not_before: date, *, must_change: bool) -> date:
    log_odds = np.array([said[day] for day in days])
    return days[first_day(log_odds, earliest=days.index(not_before), must_change=must_change)]


def _cases(episodes: pl.DataFrame, day_files: Sequence[Path], registers: Registers) -> list[_Case]:
    """Return each episode's home with its days between the last work and the episode's end; none without a day."""
    if not day_files or episodes.is_empty():
        return []
    homes = episodes["site_id"].unique()
    days = (
        pl.scan_parquet(list(day_files), glob=False, hive_partitioning=False)
        .select("site_id", "day")
        .filter(pl.col("site_id").is_in(homes.implode()))
        .collect()
    )
    days_of = {home: sorted(part["day"]) for (home,), part in days.group_by("site_id")}
    commissioned = dict(registers.sites.select("site_id", "commissioned_on").iter_rows())
    work: dict[str, list[date]] = {}
    for home, day in service_work(registers).iter_rows():
        work.setdefault(home, []).append(day)
    cases = []
    for row, (home, to_on) in enumerate(episodes.select("site_id", "to_on").iter_rows()):
        last = to_on or registers.as_of
        floors = [(day + DAY, BY_WORK) for day in work.get(home, []) if day <= last]
        if commissioned.get(home) is not None:
            floors.append((commissioned[home], BY_COMMISSIONING))
        floor, by = max(floors, default=(date.min, BY_FIRST_DAY))
        there = tuple(day for day in days_of.get(home, []) if floor <= day <= last)
        if there:
            earlier = any(day < there[0] for day in days_of[home])
            cases.append(_Case(row, there, by if earlier or there[0] == floor else BY_FIRST_DAY))
    return cases


def service_work(registers: Registers) -> pl.DataFrame:
    """Return site_id and the day of visits and repairs, but for visits that found a fault and left it."""
    was_left = pl.col("found").is_in(FAULTS) & ~pl.col("fixed").fill_null(False)
    visits = registers.visits.filter(~was_left.fill_null(False)).select("site_id", day="visited_on")
    repairs = registers.safety_calls.select("site_id", day="repaired_on").drop_nulls()
    return pl.concat([visits, repairs])


def _log_odds(
    con: duckdb.DuckDBPyConnection,
    episodes: pl.DataFrame,
    files: tuple[Sequence[Path], Sequence[Path]],
    *,
    spans: Mapping[int, Sequence[tuple[date, date]]],
    yardstick: Yardstick,
) -> dict[int, Float]:
    """Return by episode the log odds of its fault in each of its spans, NaN where a span has no rows."""
    asked = pl.DataFrame(
        [(row, from_on, to_on) for row, of_row in spans.items() for from_on, to_on in of_row],
        schema={"row": pl.Int64, "from_on": pl.Date, "to_on": pl.Date},
        orient="row",
    ).with_row_index("span")
    asked = asked.with_columns(
        pl.col("span").cast(pl.Int64), site_id=episodes["site_id"].gather(asked["row"])
    )
    day_files, line_files = files
    signals = span_signals(
        con,
        day_files,
        asked.drop("row"),
        sites=yardstick.sites,
        settings=yardstick.settings,
        line_files=line_files,
    )
    said = np.full(asked.height, np.nan)
    if signals.height:
        row = asked["row"].gather(signals["span"])
        said[signals["span"].to_numpy()] = fault_log_odds(
            signals,
            episodes["fault"].gather(row).to_list(),
            episodes["leg"].gather(row).to_list(),
            yardstick=yardstick,
        )
    ends = np.cumsum([0, *(len(of_row) for of_row in spans.values())]).tolist()
    return {row: said[start:end] for row, start, end in zip(spans, ends, ends[1:], strict=False)}


def _with_days(
    episodes: pl.DataFrame, cases: Mapping[int, _Case], found: Mapping[int, _Found]
) -> pl.DataFrame:
    """Return the episodes with what was found of them, and why not where nothing was."""
    rows = []
    for row, old in enumerate(episodes.select("from_on", "to_on", "ended_by", "why_not").iter_rows()):
        from_on, to_on, ended_by, why_not = old
        case, new = cases.get(row), found.get(row)
        if new is not None:
            from_on = new.from_on
            to_on, ended_by = (new.to_on, BY_DATA) if new.is_over else (to_on, ended_by)
        elif why_not is None:
            why_not = NOT_SEEN if case else NO_DATA
        rows.append(
            (
                from_on,
                to_on,
                ended_by,
                why_not,
                new.from_basis if new else None,
                case.days[0] if case else None,
            )
        )
    schema = {
        "from_on": pl.Date, "to_on": pl.Date, "ended_by": pl.String, "why_not": pl.String, "from_basis": pl.String,
        "known_from": pl.Date,
    }  # fmt: skip
    return episodes.with_columns(pl.DataFrame(rows, schema=schema, orient="row"))
