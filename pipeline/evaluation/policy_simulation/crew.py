"""What a crew or the desk finds at a home and what comes of it: the only room that looks at the truth in the morning.

Chance is drawn anew for each attempt at a home, from the seed, the home and how many attempts there were before:
the first visit to a home ends alike under every policy.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.contract import FAULTS, SOUND
from pipeline.core.setting_sections import RehearsalSettings
from pipeline.evaluation.policy_simulation.policies import DESK, RECORDS, Choice
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


def attend(
    choices: Sequence[Choice],
    ledger: pl.DataFrame,
    world: World,
    day: date,
    seed: int,
    own: RehearsalSettings,
) -> pl.DataFrame:
    """Return `ledger` with what came of the choices of the morning `day`."""
    homes = {row["site_id"]: row for row in world.homes.iter_rows(named=True)}
    right = set(ledger.filter("is_put_right")["site_id"])
    before = dict(ledger.group_by("site_id").len().iter_rows())
    when = datetime.combine(day, time()) + timedelta(hours=own.work_hour)
    rows: list[tuple[Any, ...]] = []
    for choice in choices:
        home = homes[choice.site_id]
        tries = before.get(choice.site_id, 0)
        draw = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(_STREAM, home["number"], tries)))
        works, says, misnames = draw.random(3)
        crew, other = str(draw.choice(world.crews)), str(draw.choice(FAULTS))
        began = home["began_at"]
        was_faulty = bool(home["fault"]) and choice.site_id not in right and (began is None or began <= when)
        can_act = was_faulty and (choice.by != DESK or CATALOGUE[home["fault"]].remedy.fix_by == "office")
        is_put_right = can_act and bool(works < own.fix_works)
        found = SOUND if choice.by != DESK else None
        if can_act:
            found = other if misnames < own.misnamed else home["fault"]
        rows.append(
            (
                f"R{ledger.height + len(rows) + 1:05d}", choice.site_id, day, None if choice.by == DESK else crew,
                found, home["leg"] if can_act else None, can_act and (is_put_right or bool(says < own.said_fixed)),
                choice.by, choice.reason, choice.likelihood, home["fault"] or None, was_faulty, is_put_right,
                when if is_put_right else None,
            )
        )  # fmt: skip
    return pl.concat([ledger, pl.DataFrame(rows, schema=LEDGER, orient="row")])


def records(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return what was written down (RECORDS), without the truth, in the order it was."""
    return ledger.select("site_id", pl.col("visited_on").alias("day"), "by", "found").cast(
        dict(RECORDS.items())
    )
