"""Past readings put right: a published night and its lake to OUT/corrected, day by day, only what changed.

Episodes are found first; then each day's file is brought up to date, a few days at once, and after the last of them the
statement and the record are written. What is killed in between leaves whole files; run again, it goes on from there.
"""

from __future__ import annotations

import json
import shutil
import time
import uuid
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.atomic_files import write_parquet
from pipeline.core.errors import InputError
from pipeline.core.executors import ThreadExecutor
from pipeline.core.progress import counted
from pipeline.core.settings import Settings
from pipeline.correction.correct_day import GONE, REMOVED, WRITTEN, DayCorrector, DayJob, on_day
from pipeline.correction.day_files import DayFiles
from pipeline.correction.digests import with_story
from pipeline.correction.outcome import CorrectionResult, reconcile, write_record
from pipeline.correction.stages import EPISODES, Correct, PublishedNight, Stages
from pipeline.features.day_store import Store
from pipeline.ingest.column_names import nearest
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import Registers, read_registers
from pipeline.storage.layout import CORRECTED
from pipeline.storage.output_location import Out, hold_out
from pipeline.storage.run_files import require_whole

# Tables of the published night that episodes are found by.
READ_OF_RUN = ("site_scores", "site_signal", "promise", "promise_book", "fleet_normal")
_DAYS_TOGETHER = 12  # days a worker is given at once: in between they are told of and kept


@dataclass(frozen=True)
class CorrectionRequest:
    """The lake, the OUT of its nights, and the homes to work on; none: all."""

    lake: Path
    out: Path
    sites: tuple[str, ...] = ()


def correct_lake(
    request: CorrectionRequest,
    settings: Settings,
    stages: Stages,
    *,
    tell: Callable[[str], None] = lambda line: None,
) -> CorrectionResult:
    """Put past readings right by the latest published night of OUT.

    Parameters
    ----------
    request
        Lake, OUT and homes.
    settings
        All settings.
    stages
        Who finds, corrects and writes the statement.
    tell
        Called with a line of progress.

    Raises
    ------
    InputError
        The lake isn't usable, nothing is published in OUT or a table of it is damaged, or a home is unknown.
    NightFailed
        Another command holds OUT, a day can't be read, or rows don't add up; files written so far are whole.
    """
    lake = open_lake(request.lake, settings)
    with hold_out(request.out, settings) as out:
        folder = out.latest_run()
        require_whole(folder, [f"{table}.parquet" for table in READ_OF_RUN], out.local)
        as_of = date.fromisoformat(json.loads((folder / "run.json").read_text(encoding="utf-8"))["as_of"])
        registers = read_registers(lake, as_of)
        known = registers.sites["site_id"]
        for site in request.sites:
            if site not in known:
                raise InputError(f"{site}: not a home of {lake.root}{nearest(site, known)}")
        return correct_night(
            out,
            folder,
            lake,
            registers=registers,
            settings=settings,
            stages=stages,
            sites=request.sites,
            tell=tell,
        )


def correct_night(
    out: Out,
    folder: Path,
    lake: Lake,
    *,
    registers: Registers,
    settings: Settings,
    stages: Stages,
    sites: Sequence[str] = (),
    tell: Callable[[str], None] = lambda line: None,
) -> CorrectionResult:
    """Put past readings right by a published night, in an OUT that is held.

    Parameters
    ----------
    out
        The OUT.
    folder
        The run, to read from.
    lake, registers
        What the night read; as of its day.
    settings, stages, tell
        As `correct_lake` takes them.
    sites
        Homes to work on; none: all.
    """
    workdir = out.local / "store" / f".correct-{uuid.uuid4().hex[:8]}"
    night = PublishedNight(
        folder, registers.as_of, lake, registers, Store(out.local / "store"), settings, workdir,
        out.local / CORRECTED, tuple(sites), tell,
    )  # fmt: skip
    for left in workdir.parent.glob(".correct-*"):
        shutil.rmtree(left)
    workdir.mkdir(parents=True)
    seconds: dict[str, float] = {}
    start = time.perf_counter()

    def ended(step: str) -> None:
        nonlocal start
        seconds[step], start = round(time.perf_counter() - start, 3), time.perf_counter()

    try:
        out.bring_corrected()
        files = DayFiles(out.local / CORRECTED)
        tell("find the episodes")
        findings = stages.find(night)
        found = _of_sites(findings.episodes, sites)
        ended("find the episodes")
        became = _correct_days(out, night, files, found=found, correct=findings.correct)
        ended("correct the days")
        tell("write the statement")
        episodes = _with_other_homes(found, files.root / EPISODES, sites)
        _write_if_changed(files.root / EPISODES, episodes)
        homes = reconcile(files)
        statement = stages.write(files.root, episodes, registers.sites, as_of=night.as_of, settings=settings)
        ended("write the statement")
        result = CorrectionResult(
            files.root, "", night.as_of, episodes, homes, statement=statement,
            days_written=became[WRITTEN], days_removed=became[REMOVED], days_gone=became[GONE], seconds=seconds,
        )  # fmt: skip
        write_record(files, result)
        return replace(result, address=out.keep_corrected())
    finally:
        shutil.rmtree(workdir, ignore_errors=True)


def _correct_days(
    out: Out,
    night: PublishedNight,
    files: DayFiles,
    *,
    found: pl.DataFrame,
    correct: Correct,
) -> Counter[str]:
    """Bring the days' files up to date, in order; return how many days became what."""
    reader = night.reader()
    sites = night.registers.site_limits(night.settings.lake)
    told = with_story(found.filter(pl.col("why_not").is_null()), sites)
    lake_days = frozenset(day for day in night.lake.days() if day <= night.as_of)
    days = sorted({*_days_of(told, lake_days), *files.days()})
    worked_on = frozenset(night.sites) or None
    became: Counter[str] = Counter()
    with night.connect() as con:
        executor = ThreadExecutor(con, night.settings.engine)

        def work(con: duckdb.DuckDBPyConnection, some: Sequence[date]) -> list[str]:
            # a folder of its own: copies of a day's files are named by number
            own = reader.apart(str(some[0]))
            corrector = DayCorrector(own, files, night.settings, correct, lake_days)
            try:
                return corrector.bring_up_to_date(
                    con, [DayJob(day, on_day(told, day), worked_on) for day in some]
                )
            finally:
                shutil.rmtree(own.workdir, ignore_errors=True)

        at_once = _DAYS_TOGETHER * executor.width
        for first in range(0, len(days), at_once):
            some = days[first : first + at_once]
            blocks = [some[place :: executor.width] for place in range(min(executor.width, len(some)))]
            done = executor("correct the days", work, blocks)
            became.update(state for states in done for state in states)
            state_of = {
                day: state
                for block, states in zip(blocks, done, strict=True)
                for day, state in zip(block, states, strict=True)
            }
            changed = [day for day in some if state_of[day] in (WRITTEN, REMOVED, GONE)]
            if changed:
                out.keep_corrected(changed)
            night.tell(counted("correct the days", first + len(some), len(days), things="days"))
    return became


def _days_of(episodes: pl.DataFrame, lake_days: Iterable[date]) -> set[date]:
    """Return the days of the lake that an episode lies on."""
    spans = episodes.select("from_on", pl.col("to_on").fill_null(date.max)).unique()
    touched: set[date] = set()
    ordered = pl.Series(sorted(lake_days), dtype=pl.Date)
    for from_on, to_on in spans.iter_rows():
        last = None if to_on == date.max else to_on + timedelta(days=1)
        end = ordered.len() if last is None else int(ordered.search_sorted(last))
        touched.update(ordered[int(ordered.search_sorted(from_on)) : end])
    return touched


def _of_sites(episodes: pl.DataFrame, sites: Sequence[str]) -> pl.DataFrame:
    return episodes.filter(pl.col("site_id").is_in(list(sites))) if sites else episodes


def _with_other_homes(found: pl.DataFrame, path: Path, sites: Sequence[str]) -> pl.DataFrame:
    """Return the episodes, with those of homes that were not worked on as the last run wrote them."""
    if sites and path.is_file():
        before = pl.read_parquet(path, glob=False).filter(~pl.col("site_id").is_in(list(sites)))
        found = pl.concat([found, before], how="diagonal_relaxed")
    return found.sort("site_id", "from_on")


def _write_if_changed(path: Path, table: pl.DataFrame) -> None:
    if not (path.is_file() and pl.read_parquet(path, glob=False).equals(table)):
        write_parquet(path, table)
