"""The night's tables about the list: what going is worth, who is listed, what visits came to, how good the list is."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.settings import Settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.ingest.registers import Registers
from pipeline.scoring.score_homes import Scored
from pipeline.scoring.verdict import Prior, ct_scores
from pipeline.worklist.decision_curve import decision_curve, list_cut
from pipeline.worklist.energy_so_far import HomeDayReader, energy_so_far, first_days, no_home_days
from pipeline.worklist.expected_value import with_so_far, worth
from pipeline.worklist.fix_success import chances
from pipeline.worklist.fix_verification import verify_fixes
from pipeline.worklist.hit_rate import hit_rate
from pipeline.worklist.home_events import next_story
from pipeline.worklist.home_status import next_standing
from pipeline.worklist.last_visit import last_visits, worked_on
from pipeline.worklist.night_count import next_night_count
from pipeline.worklist.pre_visit_scores import with_scores
from pipeline.worklist.prediction_log import next_book, next_promise
from pipeline.worklist.revisit_list import revisit_list
from pipeline.worklist.safety_calls import next_safety_calls
from pipeline.worklist.safety_first import listed_with_calls, standing_with_calls, with_safety_verdict
from pipeline.worklist.taken_back import taken_back
from pipeline.worklist.visit_conflicts import visit_doubts

# Tables of the run before that tonight's go on from.
CARRIED = (
    "standing", "home_story", "promise", "promise_book", "safety_call", "revisit_list", "night_count", "site_scores",
    "site_signal", "visits",
)  # fmt: skip


def worklist_tables(
    scored: Scored,
    registers: Registers,
    daily: pl.DataFrame,
    *,
    plans: pl.DataFrame,
    previous: Path | None,
    as_of: date,
    settings: Settings,
    home_days: HomeDayReader = no_home_days,
    days_gone: Sequence[str] = (),
) -> dict[str, pl.DataFrame]:
    """Return the tables of this package by name, revisit_list among them.

    Parameters
    ----------
    scored
        Likelihoods, signals and the fleet's rate of the night.
    registers
        Homes, visits and safety calls.
    daily
        Table site_daily [W].
    plans
        `planned_visits.read_plans`.
    previous
        Folder of the run before; None on the first night.
    as_of
        The night, a UTC day.
    settings
        Of the whole pipeline.
    home_days
        Reads the store's days of the listed homes.
    days_gone
        UTC days that the run before had and that are no longer in the lake.
    """
    # A safety call takes nothing from what the list knows of the home's CTs.
    scores, signals, visits = ct_scores(scored.scores), scored.signals, registers.visits
    before, story, promise_before, book_before, calls_before = (
        earlier_table(previous, name)
        for name in ("standing", "home_story", "promise", "promise_book", "safety_call")
    )
    calls = next_safety_calls(
        calls_before, registers.safety_calls, scores, signals=signals, as_of=as_of, settings=settings.verdict
    )
    chance = chances(promise_before, CATALOGUE, settings.ranking)
    value = worth(scores, signals, registers.sites, chances=chance, catalogue=CATALOGUE, settings=settings)
    fixes = verify_fixes(
        worked_on(last_visits(visits, as_of), before, scores), scores, signals, daily=daily,
        prior=Prior(scored.fleet.rate, scored.fleet.fault_mix), catalogue=CATALOGUE, as_of=as_of,
        settings=settings.visits,
    )  # fmt: skip
    valued = scores.join(value.select("site_id", "priority", "break_even"), on="site_id")
    standing = next_standing(before, valued, visits, fixes=fixes, plans=plans, as_of=as_of, settings=settings)
    standing = standing_with_calls(standing, calls)
    starts = first_days(standing, signals, earlier_table(previous, "revisit_list"))
    first = starts["from_on"].min()
    days = home_days(starts["site_id"].to_list(), first if isinstance(first, date) else as_of)
    suspected = scores.select("site_id", fault="likely_fault", leg=pl.col("likely_leg").cast(pl.String))
    so_far = energy_so_far(suspected, signals, days, starts=starts, as_of=as_of, catalogue=CATALOGUE)
    value = with_so_far(value, so_far)
    listed = revisit_list(
        scores, value, registers.sites, standing=standing, catalogue=CATALOGUE, ranking=settings.ranking,
        orders=settings.orders,
    )  # fmt: skip
    listed = listed_with_calls(listed, calls)
    promise = next_promise(
        promise_before, book_before, visits, standing=standing, as_of=as_of, settings=settings.hit_rate
    )
    promise = with_scores(promise, promise_before, previous, settings=settings.hit_rate)
    nights = next_night_count(
        earlier_table(previous, "night_count"), with_safety_verdict(scores, calls), listed, visits=visits,
        standing=standing, standing_before=before, as_of=as_of,
    )  # fmt: skip
    gone = taken_back(previous, story, homes=registers.sites, visits=visits, days_gone=days_gone, as_of=as_of)
    return {
        "revisit_list": listed,
        "worth": value,
        "chance": chance,
        "standing": standing,
        "safety_call": calls,
        "home_story": next_story(story, standing, visits, plans=plans, calls=calls, as_of=as_of, gone=gone),
        "visit_doubt": visit_doubts(visits, standing, scores),
        "night_count": nights,
        "promise": promise,
        "promise_book": next_book(book_before, listed, as_of, settings=settings.hit_rate),
        "hit_rate": hit_rate(promise, settings.hit_rate),
        "decision_curve": decision_curve(value, promise, settings.hit_rate),
        "list_cut": list_cut(value, listed),
    }


def earlier_table(run: Path | None, name: str) -> pl.DataFrame | None:
    """Return a table of an earlier run, or None if it has none of that name."""
    file = run / f"{name}.parquet" if run else None
    return pl.read_parquet(file, glob=False) if file and file.is_file() else None
