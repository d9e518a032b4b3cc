"""Lets simulated mornings go by: files arrive as the source delivers them, the clock moves on, each night is run.

A morning's night is false if it raises an alarm where nothing failed, and finds a failure if it raises one on the first
morning that shows it.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from unittest.mock import patch
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.core import clock
from pipeline.core.alarm import EXIT_STATUS
from pipeline.core.errors import InputError
from pipeline.evaluation.mornings.sources import (
    NOTHING,
    REST,
    SOURCES,
    Part,
    Source,
    days_of,
    lateness_h,
    spoil,
)
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

# Runs a night of LAKE in OUT as somebody does and returns its exit status.
RunNight = Callable[[Path, Path], int]
_ZONE, _HOUR, _MINUTE = ZoneInfo("America/Denver"), 3, 30


@dataclass(frozen=True)
class MorningsRequest:
    """`mornings` after `history` days, of a fleet of `sites` homes in intervals of `minutes`, the last on `last`.

    `is_copied`: the history's files have the time at which they were copied, all the same.
    """

    mornings: int = 60
    history: int = 24
    sites: int = 48
    minutes: int = 60
    seed: int = 1
    last: date = date(2026, 4, 10)  # daylight saving time begins on 8 March
    is_copied: bool = False
    failures: bool = True

    @property
    def first_day(self) -> date:
        """The first day of the lake."""
        return self.last - timedelta(days=self.mornings + self.history)


@dataclass(frozen=True)
class Morning:
    """A morning: its date, the failure that it is the first to show (""), the codes of its alarms, exit status."""

    day: date
    failure: str
    codes: tuple[str, ...]
    status: int

    @property
    def is_false(self) -> bool:
        """Whether an alarm was raised though nothing had failed."""
        return not self.failure and self.status != 0

    @property
    def is_found(self) -> bool:
        """Whether the failure raised an alarm at once."""
        return bool(self.failure) and self.status == EXIT_STATUS and bool(self.codes)


@dataclass
class _Delivery:
    """A file on its way: where to, its rows, when it arrives."""

    name: str
    day: date
    rows: pl.DataFrame
    at: datetime


@dataclass
class Fleet:
    """A simulated fleet: the registers' folder, its rows by day with the `area` of each, its areas."""

    folder: Path
    days: Mapping[date, pl.DataFrame]
    areas: tuple[str, ...]
    _homes: pl.DataFrame = field(default_factory=pl.DataFrame)


def simulate_fleet(request: MorningsRequest, folder: Path) -> Fleet:
    """Return a fleet with three areas, no fault that begins meanwhile, and no home that joins."""
    count = request.mornings + request.history + 1
    spec = FleetSpec(
        request.sites, count, request.minutes, request.seed, end=request.last, areas=3, onset_share=0.0,
        hard_share=0.0, register_gap_share=0.0,
    )  # fmt: skip
    write_lake(spec, folder)
    homes = pl.read_csv(folder / "sites.csv").select("site_id", "area")
    days = {
        day: pl.read_parquet(folder / "intervals" / f"date={day}" / "*.parquet").join(homes, on="site_id")
        for day in days_of(request.first_day, count)
    }
    sizes = homes.group_by("area").len().sort("len", "area", descending=[True, False])
    return Fleet(folder, days, tuple(sizes["area"]))


def live_sources(
    request: MorningsRequest,
    names: Sequence[str],
    way: str,
    *,
    run_night: RunNight,
    tell: Callable[[str], None] = lambda line: None,
) -> dict[tuple[str, str], list[Morning]]:
    """Return the mornings of each source by its name and `way`, lived one after the other in a scratch folder.

    Parameters
    ----------
    request
        How many, when, and of which fleet.
    names
        Sources to try; none: all.
    way
        What runs the nights, in a word.
    run_night
        Runs a night.
    tell
        Called with a line of progress.

    Raises
    ------
    InputError
        There is no source of a name.
    """
    for name in names:
        if name not in SOURCES:
            raise InputError(f"--source {name}: choose of {', '.join(SOURCES)}")
    with tempfile.TemporaryDirectory(prefix="nightclamp-mornings-") as scratch:
        root = Path(scratch)
        fleet = simulate_fleet(request, root / "fleet")
        return {
            (name, way): live_mornings(
                request, SOURCES[name], fleet, folder=root / name.replace(" ", "-"), run_night=run_night, tell=tell
            )
            for name in names or SOURCES
        }  # fmt: skip


def live_mornings(
    request: MorningsRequest,
    source: Source,
    fleet: Fleet,
    *,
    folder: Path,
    run_night: RunNight,
    tell: Callable[[str], None] = lambda line: None,
) -> list[Morning]:
    """Return the mornings of a source, run one after the other in `folder`.

    Parameters
    ----------
    request
        How many, and when.
    source
        How it delivers.
    fleet
        `simulate_fleet`.
    folder
        Of the lake and OUT.
    run_night
        Runs a night.
    tell
        Called with a line of progress.
    """
    lake, out = folder / "lake", folder / "out"
    (lake / "intervals").mkdir(parents=True)
    for register in fleet.folder.glob("*.csv"):
        (lake / register.name).write_bytes(register.read_bytes())
    mornings = [
        morning_of(day)
        for day in days_of(request.last - timedelta(days=request.mornings - 1), request.mornings)
    ]
    failing = failing_mornings(request, source)
    deliveries = _deliveries(request, source, fleet, mornings, failing)
    lived: list[Morning] = []
    for number, at in enumerate(mornings):
        arrived = [one for one in deliveries if one.at <= at]
        for one in arrived:
            _put(lake, one, mornings[0] - timedelta(days=1) if request.is_copied else None)
        deliveries = [one for one in deliveries if one.at > at]
        with patch.object(clock, "utc_now", lambda at=at: at), patch.dict(os.environ, _QUICK):
            status = run_night(lake, out)
        run = json.loads((out / "latest" / "run.json").read_text(encoding="utf-8"))
        lived.append(
            Morning(at.date(), failing.get(number, ""), tuple(line["code"] for line in run["alarms"]), status)
        )
        tell(f"{source.name}: morning {number + 1} of {request.mornings}, status {status} {lived[-1].codes}")
    return lived


# What a night needs not do to say what came.
_QUICK = {
    "NIGHTCLAMP_REPORT__HOME_PAGES": "0",
    "NIGHTCLAMP_ENGINE__THREADS": "1",
    "NIGHTCLAMP_ENGINE__WORKERS": "1",
}


def morning_of(day: date) -> datetime:
    """Return half past three in Denver, in UTC."""
    return datetime(day.year, day.month, day.day, _HOUR, _MINUTE, tzinfo=_ZONE).astimezone(UTC)


def failing_mornings(request: MorningsRequest, source: Source) -> dict[int, str]:
    """Return by number of a morning the failure that it is the first to show, evenly spread, after a few good ones."""
    if not request.failures:
        return {}
    kinds = source.failures()
    step = (request.mornings - 2) // len(kinds)
    return {2 + step * number + step // 2: kind for number, kind in enumerate(kinds)}


def _deliveries(
    request: MorningsRequest,
    source: Source,
    fleet: Fleet,
    mornings: Sequence[datetime],
    failing: Mapping[int, str],
) -> list[_Delivery]:
    """Return all files, each with its rows and time, in the order they arrive."""
    spoilt = {
        mornings[number].date() - timedelta(days=source.judged_back + (kind == REST)): kind
        for number, kind in failing.items()
        if kind != NOTHING
    }
    silent = [mornings[number] for number, kind in failing.items() if kind == NOTHING]
    found = []
    for day, rows in fleet.days.items():
        for part in source.parts(fleet.areas):
            of_part = part.rows(rows)
            if day in spoilt:
                of_part = spoil(of_part, part, spoilt[day], source=source, areas=fleet.areas)
            at = _arrival(day, part, request)
            for morning in silent:  # what would have come since the morning before comes a day later
                if morning - timedelta(days=1) < at <= morning:
                    at += timedelta(days=1)
            if not of_part.is_empty():
                found.append(_Delivery(f"{part.name}.parquet", day, of_part.drop("area"), at))
    return sorted(found, key=lambda one: (one.at, one.name))


def _arrival(day: date, part: Part, request: MorningsRequest) -> datetime:
    end = datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(days=1)
    return end + timedelta(hours=part.lag_h + lateness_h(day, part, request.seed))


def _put(lake: Path, one: _Delivery, copied_at: datetime | None) -> None:
    path = lake / "intervals" / f"date={one.day}" / one.name
    path.parent.mkdir(exist_ok=True)
    one.rows.write_parquet(path)
    stamp = (one.at if copied_at is None else max(one.at, copied_at)).timestamp()
    os.utime(path, (stamp, stamp))


def summary(lived: Mapping[tuple[str, str], Sequence[Morning]]) -> pl.DataFrame:
    """Return a row a source and way of running: mornings, false alarms, failures, found on the first morning."""
    return pl.DataFrame([
        {
            "source": source, "way": way, "mornings": len(mornings),
            "false_alarms": sum(one.is_false for one in mornings),
            "failures": sum(bool(one.failure) for one in mornings),
            "found": sum(one.is_found for one in mornings),
        }
        for (source, way), mornings in lived.items()
    ])  # fmt: skip
