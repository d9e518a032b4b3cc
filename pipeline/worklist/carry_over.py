"""What a night carries on from the one before: standings, stories, what visits proved and where they are in doubt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.settings import Settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.scoring.score_homes import Scored
from pipeline.scoring.verdict import Prior
from pipeline.worklist.fix_verification import prove
from pipeline.worklist.home_events import next_story
from pipeline.worklist.home_status import next_standing
from pipeline.worklist.last_visit import last_visits, worked_on
from pipeline.worklist.visit_conflicts import visit_doubts


@dataclass(frozen=True)
class Memory:
    """Tables of the night: `standing` one row a home, `home_story` one an event, `visit_doubt` one a visit in doubt."""

    standing: pl.DataFrame
    home_story: pl.DataFrame
    visit_doubt: pl.DataFrame


def carry_on(
    previous: Path | None,
    scored: Scored,
    worth: pl.DataFrame,
    daily: pl.DataFrame,
    visits: pl.DataFrame,
    plans: pl.DataFrame,
    as_of: date,
    settings: Settings,
) -> Memory:
    """Return the memory after the night `as_of`; `previous` is the folder of the run before, None on the first night.

    `worth` is `expected_value.worth` of the same scores, `daily` table site_daily, `visits` the register, `plans`
    `planned_visits.read_plans`.
    """
    before, story = (earlier_table(previous, name) for name in ("standing", "home_story"))
    fixed = worked_on(last_visits(visits, as_of), before, scored.scores)
    prior = Prior(scored.fleet.rate, scored.fleet.fault_mix)
    proofs = prove(fixed, scored.scores, scored.signals, daily, prior, CATALOGUE, as_of, settings.visits)
    valued = scored.scores.join(worth.select("site_id", "priority", "break_even"), on="site_id")
    standing = next_standing(before, valued, visits, proofs, plans, as_of, settings)
    return Memory(
        standing,
        next_story(story, standing, visits, plans, as_of),
        visit_doubts(visits, standing, scored.scores),
    )


def earlier_table(run: Path | None, name: str) -> pl.DataFrame | None:
    """Return a table of an earlier run, or None if it has none of that name."""
    file = run / f"{name}.parquet" if run else None
    return pl.read_parquet(file, glob=False) if file and file.is_file() else None
