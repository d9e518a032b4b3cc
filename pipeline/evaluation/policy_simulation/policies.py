"""Which homes the trucks and the desk take on in the morning: nightclamp's list, and three simpler ways.

A policy sees what a night has published and what its own crews have written down, and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import polars as pl

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
class Day:
    """A morning: its date, how many truck visits it has, and the settings."""

    today: date
    visits: int
    own: RehearsalSettings


Morning = Callable[[Published, pl.DataFrame, Day], list[Choice]]


@dataclass(frozen=True)
class Policy:
    """One way to choose.

    `has_nights`: it reads what the nights say; `has_memory`: the nights are told of its visits.
    """

    name: str
    title: str
    choose: Morning
    has_nights: bool = True
    has_memory: bool = False


def by_list(published: Published, records: pl.DataFrame, day: Day) -> list[Choice]:
    """Take the revisit list as it stands, down to its cut: its first visits by truck, its office fixes at the desk.

    Where the desk has looked and found nothing to correct it doesn't look again; a truck goes if the home is a suspect.
    """
    last = records.group_by("site_id", maintain_order=True).last()
    in_vain = last.filter((pl.col("by") == DESK) & pl.col("found").is_null())["site_id"].implode()
    is_desk, has_looked = pl.col("fix_by") == "office", pl.col("site_id").is_in(in_vain)
    listed = published.revisit_list.filter("is_above_cut").sort("rank")
    desk = listed.filter(is_desk & ~has_looked).head(day.own.office_a_day)
    truck = listed.filter(~is_desk | (has_looked & (pl.col("verdict") == "suspect"))).head(day.visits)
    return [*_choices(truck, TRUCK, "suspected_fault"), *_choices(desk, DESK, "suspected_fault")]


def by_likelihood(published: Published, records: pl.DataFrame, day: Day) -> list[Choice]:
    """Go to the likeliest homes, whatever the fault, but not where a truck was lately."""
    known = published.site_scores.filter(pl.col("likelihood") >= day.own.likelihood_from)
    rested = known.filter(~pl.col("site_id").is_in(_lately(records, day)))
    first = rested.sort("likelihood", "site_id", descending=[True, False]).head(day.visits)
    return _choices(first, TRUCK, "likely_fault")


def by_negative_nights(published: Published, records: pl.DataFrame, day: Day) -> list[Choice]:
    """Go where a leg is below zero for most of the night, the most negative first, but not where a truck was lately."""
    legs = [
        pl.when(pl.col(f"night_{leg}_negative_share") > 0.5).then(f"night_{leg}_w") for leg in ("l1", "l2")
    ]
    worst = published.site_scores.with_columns(pl.min_horizontal(legs).alias("worst_w"))
    negative = worst.filter(pl.col("worst_w").is_not_null() & ~pl.col("site_id").is_in(_lately(records, day)))
    first = negative.sort("worst_w", "site_id").head(day.visits)
    return _choices(first.with_columns(pl.lit("negative nights").alias("reason")), TRUCK, "reason")


def by_alphabet(published: Published, records: pl.DataFrame, day: Day) -> list[Choice]:
    """Go to all homes in the order of their site_id, once."""
    is_there = (pl.col("commissioned_on") < day.today).fill_null(True)
    left = published.sites.filter(is_there & ~pl.col("site_id").is_in(records["site_id"].implode()))
    first = left.sort("site_id").head(day.visits).with_columns(pl.lit("its turn").alias("reason"))
    return _choices(first, TRUCK, "reason")


POLICIES = (
    Policy("nightclamp", "nightclamp's list", by_list, has_memory=True),
    Policy("likelihood", "likelihood only", by_likelihood),
    Policy("negative_nights", "negative nights only", by_negative_nights),
    Policy("alphabetical", "alphabetical", by_alphabet, has_nights=False),
)
NOBODY = "nobody goes"


def _lately(records: pl.DataFrame, day: Day) -> pl.Expr:
    since = day.today - timedelta(days=day.own.rest_days)
    return pl.lit(records.filter(pl.col("day") > since)["site_id"].implode())


def _choices(rows: pl.DataFrame, by: str, reason: str) -> list[Choice]:
    has = "likelihood" in rows.columns
    wanted = rows.select("site_id", reason, pl.col("likelihood") if has else pl.lit(None, dtype=pl.Float64))
    return [Choice(site_id, by, str(why), share) for site_id, why, share in wanted.iter_rows()]
