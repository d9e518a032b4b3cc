"""The night's tables: the list and what is carried on, crews, counts, and what is seen in them before they go out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.errors import NightFailed
from pipeline.core.settings import Settings
from pipeline.core.sharding import WHOLE
from pipeline.crews import CrewInputs, crew_tables
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.update_store import StoredDay
from pipeline.features.window import WindowView
from pipeline.nightly.monitor import look_out
from pipeline.nightly.night_inputs import NightInputs
from pipeline.nightly.rejects import by_reason, count_rejects
from pipeline.probes.measured import measure, probe_table
from pipeline.scoring.score_breakdown import site_weights
from pipeline.scoring.score_homes import Scored
from pipeline.worklist.carry_over import carry_on, earlier_table
from pipeline.worklist.expected_value import worth
from pipeline.worklist.fix_success import chances
from pipeline.worklist.list_evaluation import judge
from pipeline.worklist.planned_visits import read_plans
from pipeline.worklist.revisit_list import revisit_list
from pipeline.workorder.desk_list import with_desk_columns
from pipeline.workorder.tables import NightTables


@dataclass(frozen=True)
class Tables:
    """The night's tables by name, the counts, and what run.json says of changes and alarms.

    Rejects are too many to be held: `rejected` counts them (reason, count), and `write_run` writes them.
    """

    published: Mapping[str, pl.DataFrame]
    rejected: pl.DataFrame
    counts: Mapping[str, int]
    told: Mapping[str, Any]


def make_lists(
    inputs: NightInputs, stored: list[StoredDay], view: WindowView, scored: Scored, settings: Settings
) -> Tables:
    """Rank the homes, carry their standing on, count crews and rejects."""
    sites, visits = inputs.registers.sites, inputs.registers.visits
    plans = read_plans(inputs.request.out, inputs.as_of)
    chance = chances(earlier_table(inputs.previous, "promise"), CATALOGUE, settings.ranking)
    value = worth(scored.scores, scored.signals, sites, chances=chance, as_of=inputs.as_of, catalogue=CATALOGUE, settings=settings)
    memory = carry_on(inputs.previous, scored, value, view.daily, visits, plans, inputs.as_of, settings)
    listed = revisit_list(scored.scores, value, sites, standing=memory.standing, catalogue=CATALOGUE, ranking=settings)
    judged = judge(inputs.previous, value, listed, visits, memory.standing, inputs.as_of, settings)
    homes = listed["site_id"].to_list()
    listed_signals = scored.signals.filter(pl.col("site_id").is_in(homes))
    crews = CrewInputs(
        scored.scores, scored.signals, sites, inputs.registers.crews, visits, inputs.registers.trainings,
        judged["promise"], scored.fleet.rate,
    )  # fmt: skip
    rejected = count_rejects(inputs.registers.rejects, stored, inputs.store)
    counts = count_rows(inputs, stored, scored)
    tables = {
        "site_scores": scored.scores,
        "revisit_list": listed,
        **crew_tables(crews, CATALOGUE, settings),
        "site_weight": site_weights(scored.scores, scored.signals, homes, scored.fleet, inputs.model),
        "fleet_normal": scored.fleet.table,
        "probe": probe_table(listed_signals, measure(listed_signals)),
        "site_signal": scored.signals,
        "standing": memory.standing,
        "home_story": memory.home_story,
        "visit_doubt": memory.visit_doubt,
        "worth": value,
        "chance": chance,
        **judged,
        "sites": inputs.registers.sites,
        "site_daily": view.daily.filter(pl.col("site_id").is_in(homes)),
        "site_hour": hours_of(inputs, stored, homes, settings),
    }
    night = NightTables(inputs.as_of, tables)
    tables["revisit_list"] = with_desk_columns(listed, night, CATALOGUE, settings)
    seen = look_out(inputs, stored, tables, rejected, counts, settings)
    return Tables(
        {**tables, **seen.tables}, by_reason(rejected), counts, {"base_rate": scored.fleet.rate, **seen.told}
    )


def hours_of(
    inputs: NightInputs, stored: list[StoredDay], homes: list[str], settings: Settings
) -> pl.DataFrame:
    """Return the hourly means of the homes at the top of the list, for their pages and orders."""
    top = homes[: max(settings.report.home_pages, settings.orders.homes)]
    days = [day for day in stored if day.day <= inputs.as_of]
    # Without a home on the list any file will do, for the table's columns.
    paths = [path for day in days for path in day.paths(inputs.store, "site_hour", top or WHOLE)]
    files = [sql_runner.as_named(path) for path in paths]
    con = sql_runner.connect(inputs.workdir, settings.engine)
    try:
        return sql_runner.query(con, "site_hour_listed", {"hour_files": files, "homes": top})
    finally:
        con.close()


def count_rows(inputs: NightInputs, stored: list[StoredDay], scored: Scored) -> dict[str, int]:
    """Return rows and homes of the night, and hold that no row is lost.

    Raises
    ------
    NightFailed
        rows_in is not used + duplicate + rejected.
    """
    counts = {
        "rows_in": sum(day.counts.rows_in for day in stored),
        "rows_used": sum(day.counts.used for day in stored),
        "rows_duplicate": sum(day.counts.duplicate for day in stored),
        "rows_rejected": sum(day.counts.rejected for day in stored),
        "register_rows_rejected": inputs.registers.rejects.height,
        "homes": scored.scores.height,
        "homes_silent": scored.scores.height - scored.signals.height,
    }
    if counts["rows_in"] != counts["rows_used"] + counts["rows_duplicate"] + counts["rows_rejected"]:
        raise NightFailed(f"{inputs.lake.root}: the rows don't add up ({counts}); please report this")
    return counts
