"""Draws a night's pages from its tables, and what earlier nights and visits say of its homes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.crews import view_rows
from pipeline.faults.types import CAUTIONS
from pipeline.nightly.night_inputs import NightInputs, Tables
from pipeline.report import NightCounts, ReportInput, write_report
from pipeline.report.crews_page import TABLES as CREW_PAGE
from pipeline.report.fault_cards import fault_cards
from pipeline.report.list_page import TABLES as LIST_TABLES
from pipeline.worklist.earlier_visits import EarlierVisits, earlier_visits
from pipeline.worklist.planned_visits import read_plans
from pipeline.worklist.tables import earlier_table


def draw_report(inputs: NightInputs, tables: Tables, built: Path) -> None:
    """Write the pages into the run's folder `built`."""
    published = tables.published
    views = view_rows(published, inputs.scratch, inputs.settings.engine)
    night = ReportInput(
        as_of=inputs.as_of,
        window_days=inputs.request.window_days,
        model_id=f"{inputs.model.model_id} ({inputs.model_note})",
        counts=NightCounts(**{name: tables.counts[name] for name in NightCounts.__dataclass_fields__}),
        site_scores=published["site_scores"], revisit_list=published["revisit_list"],
        site_weight=published["site_weight"], site_daily=published["site_daily"], site_hour=published["site_hour"],
        crews={name: published[name] for name in CREW_PAGE} | views,
        rejects=tables.rejected,
        sites=inputs.registers.sites,
        standing=published["standing"], home_story=published["home_story"], visit_doubt=published["visit_doubt"],
        night_count=published["night_count"], plans=read_plans(inputs.request.out, inputs.as_of),
        safety_call=published["safety_call"], safety_day=published["safety_day"],
        alarm=tables.told,
        list_tables={name: published[name] for name in LIST_TABLES},
        fleet_normal=published["fleet_normal"],
        fleet_normal_before=earlier_table(inputs.previous, "fleet_normal"),
        base_rate=tables.record["base_rate"],
        faults=fault_cards(),
        cautions=CAUTIONS,
        earlier_visits=visits_of_listed(inputs, published),
        wiring=published.get("wiring"),
    )  # fmt: skip
    write_report(built / "report", night, inputs.settings, script_cache=inputs.store.root / "charts")


def visits_of_listed(inputs: NightInputs, published: Mapping[str, pl.DataFrame]) -> dict[str, EarlierVisits]:
    """Return what the pages say of earlier visits to listed homes; with their notes unless [privacy] says no."""
    settings = inputs.settings
    notes = inputs.registers.notes if settings.privacy.notes_on_pages else None
    visits = inputs.registers.visits.join(published["revisit_list"], on="site_id", how="semi")
    return earlier_visits(visits, notes, published["standing"], most=settings.report.earlier_visits)
