"""The list's visits with what a plan and its pages need of the night's other tables."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.setting_sections import OrderSettings
from pipeline.dispatch.plan import STOPS
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.kit import Item, order_kit
from pipeline.report.home_lines import line_counts
from pipeline.worklist.fault_likelihood import fault_likelihood
from pipeline.worklist.safety_first import open_calls

# The night's tables that a plan is made of; `sites` is the register that orders are written from.
TABLES = ("revisit_list", "site_scores", "sites", "safety_call")


def read_stops(night: Mapping[str, pl.DataFrame], register: pl.DataFrame) -> pl.DataFrame:
    """Return STOPS: the visits of the list in its order, placed by the lake's `register`.

    `night` has TABLES.
    """
    visits = night["revisit_list"].filter(pl.col("fix_by") == "visit").sort("rank")
    shares = night["site_scores"].select("site_id", "fault_likelihoods")
    places = register.select("site_id", "latitude", "longitude")
    return (
        visits.join(shares, on="site_id", how="left", maintain_order="left")
        .join(places, on="site_id", how="left", maintain_order="left")
        .with_columns(fault_likelihood(pl.col("suspected_fault"), CATALOGUE))
        .select(pl.col(name).cast(kind) for name, kind in STOPS.items())
    )


def safety_calls(night: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return `site_id`, `safety_call` (its status) and `area` of homes with an open safety call, sorted."""
    areas = night["site_scores"].select("site_id", "area")
    return open_calls(night["safety_call"]).join(areas, on="site_id", how="left").sort("site_id")


def home_lines(night: Mapping[str, pl.DataFrame]) -> dict[str, int]:
    """Return how many lines each home of the night has, by its site_id."""
    return dict(line_counts(night["site_scores"], night["sites"]).select("site_id", "line_count").iter_rows())


def stop_kits(
    stops: pl.DataFrame, sites: pl.DataFrame, settings: OrderSettings
) -> dict[str, tuple[Item, ...]]:
    """Return the kit of each home of `stops` (STOPS) by its site_id: the one on its order.

    `sites` is the night's table; a home that it lacks, or a fault that the catalogue lacks, has no kit.
    """
    register = (
        stops.select("site_id").join(sites, on="site_id").rows_by_key("site_id", named=True, unique=True)
    )
    return {
        site: order_kit(CATALOGUE[fault], leg, register[site], settings=settings)
        for site, fault, leg in stops.select("site_id", "suspected_fault", "leg").iter_rows()
        if fault in CATALOGUE and site in register
    }
