"""Which homes the trucks and the desk take on in the morning: nightclamp's list, and three simpler ways.

A policy sees what a night has published and what its own crews have written down, and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.core.contract import SAFETY, SUSPECT
from pipeline.core.setting_sections import RehearsalSettings

TRUCK, DESK = "truck", "desk"
TABLES = ("revisit_list", "site_scores", "sites")
# What was written down of each truck visit and each fix tried at the desk; `found` is null where the desk found
# nothing to correct.
RECORDS = pl.Schema({"site_id": pl.String, "day": pl.Date, "by": pl.String, "found": pl.String})


@dataclass(frozen=True)
class Published:
    """The tables of OUT/latest that a morning reads; empty before the first night."""

    revisit_list: pl.DataFrame
    site_scores: pl.DataFrame
    sites: pl.DataFrame

    @classmethod
    def read(cls, run: Path) -> Published:
        """Read the tables of a published run."""
        return cls(*(pl.read_parquet(run / f"{name}.parquet") for name in TABLES))


@dataclass(frozen=True)
class Choice:
    """A home to go to, or to put right at the desk: `by` truck or desk, and the `reason` it is chosen for."""

    site_id: str
    by: str
    reason: str
    likelihood: float | None = None


@dataclass(frozen=True)
class Morning:
    """A morning: its date, how many truck visits it has, and the settings."""

    today: date
    visits: int
    settings: RehearsalSettings


@dataclass(frozen=True)
class Policy:
    """One way to choose.

    `has_nights`: it reads what the nights say; `has_memory`: the nights read of its visits.
    """

    name: str
    title: str
    choose: Callable[[Published, pl.DataFrame, Morning], list[Choice]]
    has_nights: bool = True
    has_memory: bool = False


def choose_by_list(published: Published, records: pl.DataFrame, morning: Morning) -> list[Choice]:
    """Return the revisit list as it stands, down to its cut: its first visits by truck, its office fixes at the desk.

    Where the desk has looked and found nothing to correct it doesn't look again; a truck goes if the home is a suspect.
    A listed home with a safety call is attended as if it had been cleared: nobody here repairs a neutral.
    """
    last = records.group_by("site_id", maintain_order=True).last()
    in_vain = last.filter((pl.col("by") == DESK) & pl.col("found").is_null())["site_id"].implode()
    is_desk, has_looked = pl.col("fix_by") == "office", pl.col("site_id").is_in(in_vain)
    is_truck = ~is_desk | (has_looked & pl.col("verdict").is_in((SUSPECT, SAFETY)))
    listed = published.revisit_list.filter("is_above_cut").sort("rank").with_columns(reason="suspected_fault")
    trucks = listed.filter(is_truck).head(morning.visits)
    desk = listed.filter(is_desk & ~has_looked).head(morning.settings.office_a_day)
    return [*_choices(trucks, TRUCK), *_choices(desk, DESK)]


def choose_by_likelihood(published: Published, records: pl.DataFrame, morning: Morning) -> list[Choice]:
    """Return the likeliest homes, whatever the fault, but not where a truck was lately."""
    is_likely = pl.col("likelihood") >= morning.settings.likelihood_from
    likely = published.site_scores.filter(is_likely & ~_was_visited_lately(records, morning))
    first = likely.sort("likelihood", "site_id", descending=[True, False]).head(morning.visits)
    return _choices(first.with_columns(reason="likely_fault"), TRUCK)


def choose_by_negative_nights(published: Published, records: pl.DataFrame, morning: Morning) -> list[Choice]:
    """Return homes with a leg below zero for most of the night, most negative first, not where a truck was lately."""
    legs = [
        pl.when(pl.col(f"night_{leg}_negative_share") > 0.5).then(f"night_{leg}_w") for leg in ("l1", "l2")
    ]
    worst = published.site_scores.with_columns(worst_w=pl.min_horizontal(legs))
    is_negative = pl.col("worst_w").is_not_null() & ~_was_visited_lately(records, morning)
    first = worst.filter(is_negative).sort("worst_w", "site_id").head(morning.visits)
    return _choices(first.with_columns(reason=pl.lit("negative nights")), TRUCK)


def choose_by_alphabet(published: Published, records: pl.DataFrame, morning: Morning) -> list[Choice]:
    """Return all homes in the order of their site_id, each once."""
    is_there = (pl.col("commissioned_on") < morning.today).fill_null(True)
    left = published.sites.filter(is_there & ~pl.col("site_id").is_in(records["site_id"].implode()))
    first = left.sort("site_id").head(morning.visits)
    return _choices(first.with_columns(reason=pl.lit("its turn"), likelihood=pl.lit(None, pl.Float64)), TRUCK)


POLICIES = (
    Policy("nightclamp", "nightclamp's list", choose_by_list, has_memory=True),
    Policy("likelihood", "likelihood only", choose_by_likelihood),
    Policy("negative_nights", "negative nights only", choose_by_negative_nights),
    Policy("alphabetical", "alphabetical", choose_by_alphabet, has_nights=False),
)
NOBODY = "nobody goes"


def _was_visited_lately(records: pl.DataFrame, morning: Morning) -> pl.Expr:
    since = morning.today - timedelta(days=morning.settings.rest_days)
    return pl.col("site_id").is_in(records.filter(pl.col("day") > since)["site_id"].implode())


def _choices(rows: pl.DataFrame, by: str) -> list[Choice]:
    columns = rows.select("site_id", "reason", "likelihood").iter_rows()
    return [Choice(site_id, by, str(reason), likelihood) for site_id, reason, likelihood in columns]
