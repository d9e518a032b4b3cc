"""The night's tables: the list, crews, counts, and the alarms that are raised before they are published."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.errors import NightFailed
from pipeline.core.setting_sections import PrivacySettings
from pipeline.core.sharding import WHOLE
from pipeline.crews import crew_tables
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.home_days import home_day_files, read_home_days, with_third_line
from pipeline.features.update_store import StoredDay
from pipeline.features.voltage_days import voltage_days
from pipeline.features.window import WindowView
from pipeline.ingest.registers import Registers
from pipeline.ingest.utility import UtilityIntake
from pipeline.nightly.monitor import look_back, watch
from pipeline.nightly.night_inputs import NightInputs, Tables
from pipeline.nightly.rejects import by_reason, count_rejects
from pipeline.probes.measured import probe_table
from pipeline.scoring.score_breakdown import site_weights
from pipeline.scoring.score_homes import Scored
from pipeline.scoring.wiring_table import wiring_table
from pipeline.storage.layout import LINE_TABLE
from pipeline.worklist.energy_so_far import DAY_COLUMNS
from pipeline.worklist.known_onsets import keep_onsets
from pipeline.worklist.planned_visits import read_plans
from pipeline.worklist.safety_first import with_safety_verdict
from pipeline.worklist.tables import worklist_tables
from pipeline.workorder.desk_list import with_desk_columns
from pipeline.workorder.tables import NightTables


def make_lists(
    inputs: NightInputs, stored: list[StoredDay], view: WindowView, *, scored: Scored, meters: UtilityIntake
) -> Tables:
    """Return everything that is published as tables, the ranked list among them.

    Parameters
    ----------
    inputs, stored
        What the night works on, and the store's days.
    view, scored
        The window of every home, and the scores.
    meters
        What the utility's files held.
    """
    settings = inputs.settings
    past = [day.day for day in stored if day.day <= inputs.as_of]
    scored = keep_onsets(
        scored, inputs.previous, inputs.registers.visits, days=past, suspect=settings.verdict.suspect
    )
    since = look_back(inputs, stored)
    registers, plans = inputs.registers, read_plans(inputs.request.out, inputs.as_of)

    def home_days(homes: Sequence[str], from_on: date) -> pl.DataFrame:
        files, line_files = (
            home_day_files(stored, inputs.store, homes, from_on=from_on, to_on=inputs.as_of, table=table)
            for table in ("site_day", LINE_TABLE)
        )
        return with_third_line(read_home_days(files, homes, DAY_COLUMNS), line_files, homes)

    lists = worklist_tables(
        scored, registers, view.daily, plans=plans, previous=inputs.previous, as_of=inputs.as_of, settings=settings,
        home_days=home_days, days_gone=since.late["gone"],
    )  # fmt: skip
    crews = crew_tables(scored, registers, lists["promise"], catalogue=CATALOGUE, settings=settings)
    homes = lists["revisit_list"]["site_id"].to_list()
    listed_signals = scored.signals.filter(pl.col("site_id").is_in(homes))
    rejected = count_rejects(registers.rejects, stored, inputs.lake, store=inputs.store, meters=meters)
    counts = count_rows(inputs, stored, scored, calls=lists["safety_call"], meters=meters)
    tables = {
        "site_scores": with_safety_verdict(scored.scores, lists["safety_call"]),
        **lists,
        **crews,
        "site_weight": site_weights(
            scored.scores, scored.signals, homes, fleet=scored.fleet, model=inputs.model
        ),
        "fleet_normal": scored.fleet.table,
        "probe": probe_table(listed_signals),
        "wiring": wiring_table(scored.scores, scored.signals),
        "site_signal": scored.signals,
        "sites": published_sites(registers, settings.privacy),
        "visits": registers.visits,
        "site_daily": view.daily.filter(pl.col("site_id").is_in(homes)),
        "site_hour": listed_hours(inputs, stored, homes),
        "safety_day": safety_days(inputs, stored, lists["safety_call"]),
    }
    night = NightTables(inputs.as_of, tables)
    tables["revisit_list"] = with_desk_columns(night, CATALOGUE, settings)
    watched, record = watch(inputs, stored, tables, since=since, rejected=rejected, counts=counts)
    return Tables(tables | watched, by_reason(rejected), counts, {"base_rate": scored.fleet.rate, **record})


def published_sites(registers: Registers, privacy: PrivacySettings) -> pl.DataFrame:
    """Return table sites; customers and their addresses are in it only where [privacy] shares them."""
    if not privacy.share_contacts:
        return registers.sites
    return registers.sites.join(registers.contacts, on="site_id", how="left", maintain_order="left")


def listed_hours(inputs: NightInputs, stored: list[StoredDay], homes: list[str]) -> pl.DataFrame:
    """Return the hourly means of the first of the listed `homes`, for their pages and orders."""
    settings = inputs.settings
    top = homes[: max(settings.report.home_pages, settings.orders.homes)]
    # Without a home on the list any file will do, for the table's columns.
    files = [
        sql_runner.as_named(path)
        for day in stored
        if day.day <= inputs.as_of
        for path in day.paths(inputs.store, "site_hour", top or WHOLE)
    ]
    with inputs.connect() as con:
        return sql_runner.query(con, "site_hour_listed", {"hour_files": files, "homes": top})


def safety_days(inputs: NightInputs, stored: list[StoredDay], calls: pl.DataFrame) -> pl.DataFrame:
    """Return table safety_day: how the voltages of the homes with an open call moved with load, day by day."""
    homes = calls.filter("is_open")["site_id"].to_list()
    first = inputs.as_of - timedelta(days=inputs.request.window_days - 1)
    past = [day for day in stored if first <= day.day <= inputs.as_of]
    return voltage_days(
        [path for day in past for path in day.paths(inputs.store, "site_day", homes)], homes, first
    )


def count_rows(
    inputs: NightInputs,
    stored: list[StoredDay],
    scored: Scored,
    *,
    calls: pl.DataFrame,
    meters: UtilityIntake,
) -> dict[str, int]:
    """Return rows, homes and open safety calls (of table `calls`) of the night, checked: no row is lost.

    Parameters
    ----------
    inputs, stored, scored
        What the night works on, the store's days, and the scores.
    calls
        Table safety_call.
    meters
        What the utility's files held; their rows are counted by themselves, since they are of all times.

    Raises
    ------
    NightFailed
        rows_in is not used + duplicate + rejected.
    """
    counted = {
        "rows_in": "rows_in",
        "rows_used": "used",
        "rows_duplicate": "duplicate",
        "rows_rejected": "rejected",
    }
    counts = {
        **{name: sum(getattr(day.counts, field) for day in stored) for name, field in counted.items()},
        "utility_rows_in": meters.rows_in,
        "utility_rows_used": meters.used,
        "utility_rows_duplicate": meters.duplicate,
        "utility_rows_rejected": meters.rejected,
        "register_rows_rejected": inputs.registers.rejects.height,
        "homes": scored.scores.height,
        "homes_silent": scored.scores.height - scored.signals.height,
        "safety_calls": calls.filter("is_open").height,
    }
    if counts["rows_in"] != counts["rows_used"] + counts["rows_duplicate"] + counts["rows_rejected"]:
        raise NightFailed(f"{inputs.lake.root}: the rows don't add up ({counts}); please report this")
    return counts
