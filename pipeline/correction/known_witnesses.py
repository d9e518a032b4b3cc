"""Witnesses from run to run: what was found for an episode stands, what right homes tell is asked anew each month."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import duckdb
import polars as pl

from pipeline.core.executors import ThreadExecutor
from pipeline.correction.site_facts import site_facts
from pipeline.correction.stages import PublishedNight
from pipeline.correction.three_lines import services_of_three
from pipeline.correction.unseen import Witnesses
from pipeline.correction.witness_file import read_witnesses, rounded, write_witnesses
from pipeline.correction.witnesses import find_witnesses, right_homes
from pipeline.faults.catalogue import CATALOGUE

WITNESSES = "witnesses.json"  # in the folder of corrected rows
WITNESS_DAYS = 14  # days of rows of right homes, and of homes within their episodes
OWN_DAYS = 28  # and of a home's right days next to an episode
REFIT_DAYS = 30  # how long what right homes tell stands
Days = Mapping[str, set[date]]


def known_witnesses(night: PublishedNight, episodes: pl.DataFrame, days: Sequence[date]) -> Witnesses:
    """Return what tells of the episodes' readings: as an earlier run found it, else found anew and kept.

    Parameters
    ----------
    night
        The published night.
    episodes
        EPISODE, those to be corrected.
    days
        The lake's UTC days up to the night's.
    """
    if episodes.is_empty():
        return Witnesses()
    path = night.corrected / WITNESSES
    earlier = read_witnesses(path)
    stories = {
        f"{site} {fault} {leg} {from_on}": site
        for site, fault, leg, from_on in episodes.select("site_id", "fault", "leg", "from_on").iter_rows()
    }
    if earlier is None:
        fitted, fitted_on, known = _fit(night, episodes, days), night.as_of, set[str]()
    else:
        old, told = earlier
        known, fitted_on = set(told["stories"]), date.fromisoformat(told["fitted_on"])
        new = sorted({site for story, site in stories.items() if story not in known})
        is_stale = not timedelta(0) <= night.as_of - fitted_on < timedelta(days=REFIT_DAYS)
        if not new and not is_stale:
            return old
        found = _fit(night, episodes.filter(pl.col("site_id").is_in(new)), days)
        shared = found if is_stale else old
        fitted_on = night.as_of if is_stale else fitted_on
        fitted = Witnesses(
            shared.meter, {**old.by_home, **found.by_home}, shared.by_service,
            {**old.production_factor, **found.production_factor}, {**old.facts, **found.facts},
        )  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    kept = rounded(fitted)
    write_witnesses(path, kept, {"fitted_on": str(fitted_on), "stories": sorted(known | set(stories))})
    return kept


def _fit(night: PublishedNight, episodes: pl.DataFrame, days: Sequence[date]) -> Witnesses:
    """Return the witnesses of these episodes, and what right homes tell."""
    scores = pl.read_parquet(night.folder / "site_scores.parquet", glob=False)
    newest = set(days[-WITNESS_DAYS:])
    right: Days = dict.fromkeys(right_homes(scores, night.registers.sites), newest)
    inside, own = _days_beside(episodes, days, night.as_of)
    rows = _read(night, [right, inside, own])

    def of(wanted: Days) -> pl.DataFrame:
        table = pl.DataFrame(
            [(site, day) for site, them in wanted.items() for day in sorted(them)],
            schema={"site_id": pl.String, "day": pl.Date}, orient="row",
        )  # fmt: skip
        return rows.join(table, on=["site_id", "day"], how="semi", maintain_order="left")

    return find_witnesses(of(right), of(own), episodes, inside=of(inside), catalogue=CATALOGUE)


def _days_beside(episodes: pl.DataFrame, days: Sequence[date], as_of: date) -> tuple[Days, Days]:
    """Return by home the last days within its episodes, and right days before them, else after."""
    inside: dict[str, set[date]] = {}
    own: dict[str, set[date]] = {}
    for site, from_on, to_on in episodes.select("site_id", "from_on", "to_on").iter_rows():
        last = to_on or as_of
        within = [day for day in days if from_on <= day <= last]
        before = [day for day in days if day < from_on][-OWN_DAYS - 1 : -1]
        after = [day for day in days if day > last + timedelta(days=1)][:OWN_DAYS]
        inside.setdefault(site, set()).update(within[-WITNESS_DAYS:])
        own.setdefault(site, set()).update(before or after)
    return inside, own


def _read(night: PublishedNight, wanted: Sequence[Days]) -> pl.DataFrame:
    """Return the used rows of these homes on these days beside `day` and the facts of each home, sorted."""
    homes: dict[date, set[str]] = {}
    for each in wanted:
        for site, them in each.items():
            for day in them:
                homes.setdefault(day, set()).add(site)
    reader = night.reader()
    with night.connect() as con:
        executor = ThreadExecutor(con, night.settings.engine)

        def work(con: duckdb.DuckDBPyConnection, day: date) -> pl.DataFrame:
            return (
                reader.apart(f"witness-{day}")
                .read(con, day, sorted(homes[day]))
                .rows.with_columns(day=pl.lit(day))
            )

        rows = pl.concat(executor("read what tells", work, sorted(homes)), how="vertical_relaxed")
    beside = rows.join(
        site_facts(night.registers.sites, services_of_three(night.folder)), on="site_id", how="left"
    )
    return beside.sort("site_id", "interval_start")
