"""The plan of the next day, where one was made: the first page says what dispatch decided, and decides nothing."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.report.names import truck_day_page
from pipeline.report.report_input import ReportInput


def plan_pages(night: ReportInput) -> dict[str, str]:
    """Return the page of the truck's day, below OUT, of each home with a visit planned beyond the night."""
    ahead = _planned_ahead(night)
    return {
        site: f"dispatch/{made_on}/{truck_day_page(day, truck)}"
        for site, day, truck, made_on in ahead.select(
            "site_id", "planned_on", "truck_id", "planned_made_on"
        ).iter_rows()
    }


def next_plan(night: ReportInput) -> dict[str, Any] | None:
    """Return the next planned day after the night; None where no plan reaches beyond it.

    `day`, `visits` (homes planned for it), `trucks`, `listed` (of the visits, those on tonight's list), `made_on` (the
    newest night that planned for it), and `sites`, the homes.
    """
    ahead = _planned_ahead(night)
    if ahead.is_empty():
        return None
    day = ahead["planned_on"].min()
    homes = ahead.filter(pl.col("planned_on") == day)
    sites = homes["site_id"].to_list()
    return {
        "day": day,
        "visits": homes.height,
        "trucks": homes["truck_id"].n_unique(),
        "listed": night.revisit_list.filter(pl.col("site_id").is_in(sites)).height,
        "made_on": homes["planned_made_on"].max(),
        "sites": frozenset(sites),
    }


def _planned_ahead(night: ReportInput) -> pl.DataFrame:
    return night.plans.filter(pl.col("planned_on") > night.as_of)
