"""What a run of corrections goes by: episodes with their days and severities, and witnesses of what wasn't seen.

Found from a published night and the days of a few homes: those with an episode, and right ones that tell how legs go
together. What an earlier run found stands where there is no news.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.executors import ThreadExecutor
from pipeline.core.progress import counted
from pipeline.correction.day_stats import day_stats_of, put_day_stats
from pipeline.correction.digests import digest_of
from pipeline.correction.episodes import find_episodes
from pipeline.correction.history import extend
from pipeline.correction.known_days import begun_before, split_known, whole_days
from pipeline.correction.known_witnesses import known_witnesses
from pipeline.correction.layout import EPISODE
from pipeline.correction.metered import file_meters
from pipeline.correction.past_suspects import past_suspects, those_over
from pipeline.correction.rows import correct_rows
from pipeline.correction.settled import settle
from pipeline.correction.severity import with_severity
from pipeline.correction.stages import EPISODES, Findings, PublishedNight, Stages
from pipeline.correction.three_lines import services_of_three, with_wirings
from pipeline.correction.unseen import NEED_WITNESSES, Witnesses
from pipeline.correction.yardstick import yardstick_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.storage.layout import LINE_TABLE


def shipped_stages() -> Stages:
    """Return the stages that the command and the night use."""
    return Stages(find)


def find(night: PublishedNight) -> Findings:
    """Return tonight's episodes, and what corrects rows by them and by what tells of what wasn't seen."""
    days = [day for day in night.lake.days() if day <= night.as_of]
    settings = night.settings.correction
    episodes = find_episodes(night.folder, night.registers, settings, catalogue=CATALOGUE, first_day=days[0])
    if night.sites:
        episodes = episodes.filter(pl.col("site_id").is_in(list(night.sites)))
    open_ones = episodes.filter(pl.col("why_not").is_null())
    earlier = night.corrected / EPISODES
    before = pl.read_parquet(earlier, glob=False) if earlier.is_file() else None
    past = _past_suspects(night, before, episodes)
    known, new = split_known(open_ones, before, night.registers, first_day=days[0])
    known_past, new_past = split_known(past, before, night.registers, first_day=days[0])
    with night.connect() as con:
        files, lines = _day_files(night, con, days, sorted(set(new["site_id"])))
        # A fault that went away was suspected by nights, so the store has its days.
        past_files, past_lines = _stored_files(night, days, sorted(set(new_past["site_id"])))
        yardstick = yardstick_of(
            night.folder, night.corrected.parent, night.registers.sites, settings=night.settings
        )

        def with_days(
            known: pl.DataFrame, some: pl.DataFrame, from_files: Sequence[Path], line_files: Sequence[Path]
        ) -> pl.DataFrame:
            found = extend(
                con, some, from_files, registers=night.registers, yardstick=yardstick, line_files=line_files
            )
            return pl.concat([known, whole_days(found)], how="diagonal")

        dated, over = (
            with_days(known, new, files, lines),
            with_days(known_past, new_past, past_files, past_lines),
        )
        dated = pl.concat([dated, those_over(begun_before(over, before), dated)], how="diagonal")
        stored, stored_lines = _stored_files(night, days, sorted(set(dated["site_id"])))
        severe = with_severity(
            con,
            dated,
            sorted({*files, *past_files, *stored}),
            as_of=night.as_of,
            yardstick=yardstick,
            catalogue=CATALOGUE,
            line_files=sorted({*lines, *past_lines, *stored_lines}),
        )
    found = pl.concat([severe, episodes.filter(pl.col("why_not").is_not_null())], how="diagonal_relaxed")
    found = _apart(found.sort("site_id", "from_on"))
    settled = settle(found, before, least_likelihood=settings.least_likelihood)
    wanted = settled.filter(pl.col("why_not").is_null())
    witnesses = known_witnesses(night, wanted, days)
    meters = file_meters(night, wanted["site_id"].unique().sort().to_list())
    sites = night.registers.sites.select("site_id", "longitude")

    def correct(rows: pl.DataFrame, of_day: pl.DataFrame) -> pl.DataFrame:
        return correct_rows(
            meters.beside(rows), of_day, sites=sites, witnesses=witnesses, catalogue=CATALOGUE
        )

    told = _with_digest(settled, witnesses).with_columns(
        meter=pl.col("site_id").replace_strict(meters.digests(), default=None, return_dtype=pl.String)
    )
    return Findings(told, correct)


def _past_suspects(
    night: PublishedNight, earlier: pl.DataFrame | None, episodes: pl.DataFrame
) -> pl.DataFrame:
    """Return the episodes of faults that earlier nights suspected and tonight's doesn't, of the homes asked for."""
    past = past_suspects(
        pl.read_parquet(night.folder / "promise_book.parquet", glob=False),
        earlier,
        episodes,
        registers=night.registers,
        three=services_of_three(night.folder),
        catalogue=CATALOGUE,
        least_likelihood=night.settings.correction.least_likelihood,
    )
    past = with_wirings(past, night.folder, CATALOGUE)
    return past.filter(pl.col("site_id").is_in(list(night.sites))) if night.sites else past


def _stored_files(
    night: PublishedNight, days: Sequence[date], homes: Sequence[str]
) -> tuple[list[Path], list[Path]]:
    """Return the store's files of site_day and of line_day that have these homes' days."""
    found = [
        [path for day in days for path in night.store.whole_files(table, day, homes)] if homes else []
        for table in ("site_day", LINE_TABLE)
    ]
    return found[0], found[1]


def _day_files(
    night: PublishedNight, con: duckdb.DuckDBPyConnection, days: Sequence[date], homes: Sequence[str]
) -> tuple[list[Path], list[Path]]:
    """Return files of site_day and of line_day with these homes' days: the store's, else worked out from rows."""
    if not homes:
        return [], []
    stored = {day: night.store.whole_files("site_day", day, homes) for day in days}
    missing = [day for day in days if not stored[day]]
    reader, sites = night.reader(), night.registers.sites.filter(pl.col("site_id").is_in(list(homes)))
    executor = ThreadExecutor(con, night.settings.engine)
    folder = night.workdir / "site_day"
    folder.mkdir(parents=True, exist_ok=True)

    def work(con: duckdb.DuckDBPyConnection, day: date) -> tuple[Path, Path]:
        rows = reader.apart(str(day)).read(con, day, homes).rows
        stats = day_stats_of(con, rows, day=day, sites=sites, settings=night.settings.day)
        return put_day_stats(folder, day, stats)

    made: list[tuple[Path, Path]] = []
    at_once = 4 * executor.width
    for first in range(0, len(missing), at_once):
        made += executor("look at older days", work, missing[first : first + at_once])
        night.tell(counted("look at older days", len(made), len(missing), things="days"))
    there = [day for day in days if stored[day]]
    lines = [path for day in there for path in night.store.whole_files(LINE_TABLE, day, homes)]
    return (
        [path for day in there for path in stored[day]] + [site_day for site_day, _ in made],
        lines + [line_day for _, line_day in made],
    )


def _apart(episodes: pl.DataFrame) -> pl.DataFrame:
    """Return the episodes without overlaps: one that begins while another lasts begins the day after that."""
    before = pl.col("to_on").shift(1).over("site_id")
    after = pl.max_horizontal("from_on", before + pl.duration(days=1))
    moved = episodes.with_columns(from_on=pl.when(before.is_not_null()).then(after).otherwise("from_on"))
    return moved.filter(pl.col("to_on").is_null() | (pl.col("to_on") >= pl.col("from_on")))


def _with_digest(episodes: pl.DataFrame, witnesses: Witnesses) -> pl.DataFrame:
    """Return the episodes with `witness`, a digest of what tells of the home's readings where its fault needs that."""
    by_witness = [name for name, fault in CATALOGUE.items() if fault.remains in NEED_WITNESSES]
    shared = {service: repr(pairs) for service, pairs in witnesses.by_service.items()}
    digests = []
    needs_more = pl.any_horizontal(pl.col("fault", "rival_fault").is_in(by_witness), "is_added_back")
    homes = episodes.select("site_id", "leg", "service", needs_more.fill_null(False).alias("needs_more"))
    for site, leg, service, needs_witnesses in homes.iter_rows():
        parts: list[object] = [repr(witnesses.facts.get(site)), witnesses.production_factor.get(site)]
        if needs_witnesses:
            parts += [repr(witnesses.meter), repr(witnesses.by_home.get((site, leg))), shared.get(service)]
        digests.append(digest_of(parts))
    return episodes.with_columns(witness=pl.Series(digests, dtype=pl.String)).select(
        *EPISODE.names(), *(name for name in episodes.columns if name not in EPISODE), "witness"
    )
