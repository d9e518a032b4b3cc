"""What the report is made of: the night's tables and the words about faults, nothing else.

The report is a pure function of a `ReportInput` and the settings: no clock, no network, no lake.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import polars as pl

from pipeline.worklist.earlier_visits import EarlierVisits


@dataclass(frozen=True)
class NightCounts:
    """Rows and homes of one night; rows_in = rows_used + rows_duplicate + rows_rejected."""

    rows_in: int
    rows_used: int
    rows_duplicate: int
    rows_rejected: int
    homes: int
    homes_silent: int


@dataclass(frozen=True)
class FaultCard:
    """One fault in words for people: what went wrong on site and what to do about it.

    `prove` says what to see before leaving; `cautions` are those of this fault alone, beside the general ones;
    `pictures` are the kinds that convince (`faults.types.PictureName`), the best first;
    `is_record_error` is as of `Fault`.
    """

    name: str
    story: str
    looks_like: str
    action: str
    prove: str
    cautions: tuple[str, ...] = ()
    pictures: tuple[str, ...] = ()
    is_record_error: bool = False


@dataclass(frozen=True)
class ReportInput:
    """Everything the pages show.

    The frames are the night's tables of the same names; `site_weight`, `site_daily` and `site_hour` of listed homes
    only. `crews` and `list_tables` are tables and views by name (`crews_page.TABLES`, `list_page.TABLES`), `rejects`
    (reason, count), `sites` the register, `plans` each home's newest plan (`planned_visits.PLANS`).
    `fleet_normal_before` is None where there was no run before, `base_rate` the fleet's share of homes with a fault.
    `earlier_visits` are those of listed homes by site_id. `wiring` is None where no home of the night has three lines.
    `faults` maps a fault's contract name to its card; `cautions`
    go on every work order.
    """

    as_of: date
    window_days: int
    model_id: str
    counts: NightCounts
    site_scores: pl.DataFrame
    revisit_list: pl.DataFrame
    site_weight: pl.DataFrame
    site_daily: pl.DataFrame
    site_hour: pl.DataFrame
    crews: Mapping[str, pl.DataFrame]
    rejects: pl.DataFrame
    sites: pl.DataFrame
    standing: pl.DataFrame
    home_story: pl.DataFrame
    visit_doubt: pl.DataFrame
    night_count: pl.DataFrame
    plans: pl.DataFrame
    safety_call: pl.DataFrame
    safety_day: pl.DataFrame
    alarm: pl.DataFrame
    list_tables: Mapping[str, pl.DataFrame]
    fleet_normal: pl.DataFrame
    fleet_normal_before: pl.DataFrame | None
    base_rate: float
    faults: Mapping[str, FaultCard]
    cautions: tuple[str, ...]
    earlier_visits: Mapping[str, EarlierVisits] = field(default_factory=dict)
    wiring: pl.DataFrame | None = None
