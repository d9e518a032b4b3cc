"""What a crew or the desk finds at a home and what comes of it: the only module that sees the truth in the morning.

Chance is drawn anew for each attempt at a home, from the seed, the home and how many attempts there were before:
the first visit to a home ends alike under every policy.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time, timedelta
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.contract import FAULTS, SOUND
from pipeline.evaluation.policy_simulation.policies import DESK, Choice, Morning
from pipeline.evaluation.policy_simulation.world import World
from pipeline.faults.catalogue import CATALOGUE

# Written down: visit_id to fixed, of which the contract's columns go into visits.csv (not of a desk that found
# nothing to correct: found is null there), with how and why the home was chosen. The truth beside: was_faulty,
# is_put_right (by this attempt), right_from (UTC).
_LEDGER: dict[str, Any] = {
    "visit_id": pl.String, "site_id": pl.String, "visited_on": pl.Date, "crew_id": pl.String,
    "found": pl.String, "leg": pl.String, "fixed": pl.Boolean, "by": pl.String, "reason": pl.String,
    "likelihood": pl.Float64, "true_fault": pl.String, "was_faulty": pl.Boolean, "is_put_right": pl.Boolean,
    "right_from": pl.Datetime("us"),
}  # fmt: skip
LEDGER = pl.Schema(_LEDGER)
_STREAM = 4_000_000


def attend_homes(
    choices: Sequence[Choice], ledger: pl.DataFrame, world: World, *, morning: Morning, seed: int
) -> pl.DataFrame:
    """Return `ledger` with what came of the choices of a morning.

    Parameters
    ----------
    choices
        Homes to go to, or to put right at the desk.
    ledger
        LEDGER: all attempts so far.
    world
        What is wrong with each home.
    morning
        The day, and how often a fix works, is said to, or a fault is misnamed.
    seed
        Of the crews' luck.
    """
    settings = morning.settings
    homes = {row["site_id"]: row for row in world.homes.iter_rows(named=True)}
    put_right = set(ledger.filter("is_put_right")["site_id"])
    attempts = dict(ledger.group_by("site_id").len().iter_rows())
    at_work = datetime.combine(morning.today, time()) + timedelta(hours=settings.work_hour)
    rows: list[tuple[Any, ...]] = []
    for choice in choices:
        home, is_desk = homes[choice.site_id], choice.by == DESK
        key = (_STREAM, home["number"], attempts.get(choice.site_id, 0))
        draw = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))
        works, says, misnames = draw.random(3)
        crew, other_fault = str(draw.choice(world.crews)), str(draw.choice(FAULTS))
        has_begun = home["began_at"] is None or home["began_at"] <= at_work
        was_faulty = bool(home["fault"]) and choice.site_id not in put_right and has_begun
        can_act = was_faulty and (not is_desk or CATALOGUE[home["fault"]].remedy.fix_by == "office")
        is_put_right = can_act and bool(works < settings.fix_works)
        found = None if is_desk else SOUND
        if can_act:
            found = other_fault if misnames < settings.misnamed else home["fault"]
        says_fixed = can_act and (is_put_right or bool(says < settings.said_fixed))
        rows.append((
            f"R{ledger.height + len(rows) + 1:05d}", choice.site_id, morning.today, None if is_desk else crew, found,
            home["leg"] if can_act else None, says_fixed, choice.by, choice.reason, choice.likelihood,
            home["fault"] or None, was_faulty, is_put_right, at_work if is_put_right else None,
        ))  # fmt: skip
    return pl.concat([ledger, pl.DataFrame(rows, schema=LEDGER, orient="row")])


def written_records(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return what was written down (RECORDS), without the truth, in the order it was."""
    return ledger.select("site_id", day="visited_on", by="by", found="found")
