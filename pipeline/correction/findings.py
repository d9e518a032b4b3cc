"""What a run of corrections goes by: episodes with their days and severities, and witnesses of what wasn't seen.

Found from a published night and the days of a few homes: those with an episode, and right ones that tell how legs go
together. What an earlier run found stands where there is no news.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.executors import ThreadExecutor
from pipeline.core.progress import counted
from pipeline.correction.day_stats import day_stats_of, put_day_stats
from pipeline.correction.episodes import find_episodes
from pipeline.correction.history import extend
from pipeline.correction.known_days import split_known, whole_days
from pipeline.correction.layout import EPISODE
from pipeline.correction.metered import file_meters
from pipeline.correction.past_suspects import past_suspects, those_over
from pipeline.correction.rows import correct_rows
from pipeline.correction.settled import settle
from pipeline.correction.severity import with_severity
from pipeline.correction.stages import EPISODES, Findings, PublishedNight, Stages
from pipeline.correction.unseen import Witnesses
from pipeline.correction.witness_file import read_witnesses, rounded, write_witnesses
from pipeline.correction.witnesses import find_witnesses, right_homes
from pipeline.correction.yardstick import yardstick_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.window_features import site_fact

WITNESSES = "witnesses.json"
# Days of which rows are read for what tells of readings: of right homes and of homes within their episodes.
WITNESS_DAYS = 14
OWN_DAYS = 28  # and of a home's right days next to an episode
REFIT_DAYS = 30  # how long what right homes tell stands


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
        files = _day_files(night, con, days, sorted({*new["site_id"], *new_past["site_id"]}))
        yardstick = yardstick_of(
            night.folder, night.corrected.parent, night.registers.sites, settings=night.settings
        )
        dated, over = (
            pl.concat(
                [known, whole_days(extend(con, some, files, registers=night.registers, yardstick=yardstick))],
                how="diagonal",
            )
            for known, some in ((known, new), (known_past, new_past))
        )
        dated = pl.concat([dated, those_over(over, dated)], how="diagonal")
        stored = _stored_files(night, days, sorted(set(dated["site_id"])))
        severe = with_severity(
            con, dated, sorted({*files, *stored}), as_of=night.as_of, yardstick=yardstick, catalogue=CATALOGUE
        )
    found = pl.concat([severe, episodes.filter(pl.col("why_not").is_not_null())], how="diagonal_relaxed")
    found = _apart(found.sort("site_id", "from_on"))
    settled = settle(found, before, least_likelihood=settings.least_likelihood)
    wanted = settled.filter(pl.col("why_not").is_null())
    witnesses = _witnesses(night, wanted, days, night.corrected / WITNESSES)
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
        catalogue=CATALOGUE,
        least_likelihood=night.settings.correction.least_likelihood,
    )
    return past.filter(pl.col("site_id").is_in(list(night.sites))) if night.sites else past


def _stored_files(night: PublishedNight, days: Sequence[date], homes: Sequence[str]) -> list[Path]:
    """Return the store's files of site_day that have these homes' days."""
    return [path for day in days for path in night.store.whole_files("site_day", day, homes)] if homes else []


def _day_files(
    night: PublishedNight, con: duckdb.DuckDBPyConnection, days: Sequence[date], homes: Sequence[str]
) -> list[Path]:
    """Return files of site_day with these homes' days: the store's where it has them, else worked out from rows."""
    if not homes:
        return []
    missing = [day for day in days if not night.store.whole_files("site_day", day, homes)]
    reader, sites = night.reader(), night.registers.sites.filter(pl.col("site_id").is_in(list(homes)))
    executor = ThreadExecutor(con, night.settings.engine)
    folder = night.workdir / "site_day"
    folder.mkdir(parents=True, exist_ok=True)

    def work(con: duckdb.DuckDBPyConnection, day: date) -> Path:
        rows = reader.apart(str(day)).read(con, day, homes).rows
        stats = day_stats_of(con, rows, day=day, sites=sites, settings=night.settings.day)
        return put_day_stats(folder, day, stats)

    made: list[Path] = []
    at_once = 4 * executor.width
    for first in range(0, len(missing), at_once):
        made += executor("look at older days", work, missing[first : first + at_once])
        night.tell(counted("look at older days", len(made), len(missing), things="days"))
    return _stored_files(night, days, homes) + made


def _apart(episodes: pl.DataFrame) -> pl.DataFrame:
    """Return the episodes without overlaps: one that begins while another lasts begins the day after that."""
    before = pl.col("to_on").shift(1).over("site_id")
    after = pl.max_horizontal("from_on", before + pl.duration(days=1))
    moved = episodes.with_columns(from_on=pl.when(before.is_not_null()).then(after).otherwise("from_on"))
    return moved.filter(pl.col("to_on").is_null() | (pl.col("to_on") >= pl.col("from_on")))


def _witnesses(night: PublishedNight, episodes: pl.DataFrame, days: Sequence[date], path: Path) -> Witnesses:
    """Return what tells of readings: as an earlier run found it where that still stands, else found anew."""
    earlier = read_witnesses(path)
    told = {} if earlier is None else earlier[1]
    stories = {
        f"{site} {fault} {leg} {from_on}": site
        for site, fault, leg, from_on in episodes.select("site_id", "fault", "leg", "from_on").iter_rows()
    }
    is_fresh = (
        earlier is not None
        and night.as_of - date.fromisoformat(told["fitted_on"]) < timedelta(days=REFIT_DAYS)
        and told["fitted_on"] <= str(night.as_of)
    )
    known = set(told["stories"]) if is_fresh else set()
    new = {site for story, site in stories.items() if story not in known}
    if earlier is not None and is_fresh and not new:
        return earlier[0]
    fitted = rounded(
        _fit(night, episodes.filter(pl.col("site_id").is_in(list(new))), days, is_whole=not is_fresh)
    )
    if earlier is not None and is_fresh:
        old = earlier[0]
        fitted = Witnesses(
            old.meter,
            {**old.by_home, **fitted.by_home},
            old.by_service,
            {**old.production_factor, **fitted.production_factor},
            {**old.facts, **fitted.facts},
        )
    keep = sorted(known | set(stories)) if night.sites or is_fresh else sorted(stories)
    fitted_on = told["fitted_on"] if is_fresh else str(night.as_of)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_witnesses(path, fitted, {"fitted_on": fitted_on, "stories": keep})
    return fitted


def _fit(night: PublishedNight, episodes: pl.DataFrame, days: Sequence[date], *, is_whole: bool) -> Witnesses:
    """Return the witnesses of these episodes; right homes are always read, since a home's own are held against them."""
    scores = pl.read_parquet(night.folder / "site_scores.parquet", glob=False)
    right = right_homes(scores, night.registers.sites)
    homes = sorted(set(episodes["site_id"]))
    newest = list(days)[-WITNESS_DAYS:]
    inside_days = {site: set[date]() for site in homes}
    own_days = {site: set[date]() for site in homes}
    for site, from_on, to_on in episodes.select("site_id", "from_on", "to_on").iter_rows():
        last = to_on or night.as_of
        within = [day for day in days if from_on <= day <= last]
        inside_days[site].update(within[-WITNESS_DAYS:])
        before = [day for day in days if day < from_on][-OWN_DAYS - 1 : -1]
        own_days[site].update(before or [day for day in days if day > last + timedelta(days=1)][:OWN_DAYS])
    facts = _facts(night)
    rows = _read(night, sorted({*newest, *(d for each in (*inside_days.values(), *own_days.values()) for d in each)}), {
        day: sorted(
            {*(right if day in newest else []), *(s for s in homes if day in inside_days[s] or day in own_days[s])}
        )
        for day in days
    })  # fmt: skip
    day = pl.col("interval_start").dt.date()
    beside = rows.join(facts, on="site_id", how="left", maintain_order="left").sort(
        "site_id", "interval_start"
    )

    def of(wanted: dict[str, set[date]]) -> pl.DataFrame:
        table = pl.DataFrame(
            [(site, each) for site, them in wanted.items() for each in sorted(them)],
            schema={"site_id": pl.String, "day": pl.Date}, orient="row",
        )  # fmt: skip
        return beside.with_columns(day=day).join(
            table, on=["site_id", "day"], how="semi", maintain_order="left"
        )

    of_right = beside.filter(pl.col("site_id").is_in(right), day >= newest[0]) if newest else beside.clear()
    return find_witnesses(of_right, of(own_days), episodes, inside=of(inside_days), catalogue=CATALOGUE)


def _facts(night: PublishedNight) -> pl.DataFrame:
    facts = site_fact(night.registers.sites).select(
        "site_id", "service", "has_battery", "is_added_back", "pv_kw", is_upstream="is_declared_upstream"
    )
    return facts.join(night.registers.sites.select("site_id", "longitude"), on="site_id")


def _read(night: PublishedNight, days: Sequence[date], homes: dict[date, list[str]]) -> pl.DataFrame:
    """Return the used rows of some homes on some days."""
    reader = night.reader()
    with night.connect() as con:
        executor = ThreadExecutor(con, night.settings.engine)

        def work(con: duckdb.DuckDBPyConnection, day: date) -> pl.DataFrame:
            return reader.apart(f"witness-{day}").read(con, day, homes[day]).rows

        return pl.concat(
            executor("read what tells", work, [day for day in days if homes[day]]), how="vertical_relaxed"
        )


def _with_digest(episodes: pl.DataFrame, witnesses: Witnesses) -> pl.DataFrame:
    """Return the episodes with `witness`, a digest of what tells of the home's readings."""
    digests = []
    shared = {service: hash_of(repr(pairs)) for service, pairs in witnesses.by_service.items()}
    for site, leg, service in episodes.select("site_id", "leg", "service").iter_rows():
        own = witnesses.by_home.get((site, leg))
        parts = (
            repr(witnesses.meter), repr(own), shared.get(service), witnesses.production_factor.get(site),
            repr(witnesses.facts.get(site)),
        )  # fmt: skip
        digests.append(hash_of(json.dumps(parts, default=str)))
    return episodes.with_columns(witness=pl.Series(digests, dtype=pl.String)).select(
        *EPISODE.names(), *(name for name in episodes.columns if name not in EPISODE), "witness"
    )


def hash_of(text: str) -> str:
    """Return a short digest of a text."""
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()
