"""Which homes had which fault from when to when, by tonight's scores and by what visits found.

An episode found on a visit ends the day before: at what hour of that day the fault was put right nobody wrote down.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.contract import FAULTS
from pipeline.core.services import BOTH, SERVICES
from pipeline.core.setting_sections import CorrectionSettings
from pipeline.correction.layout import BY_SETTING, BY_VISIT, EPISODE, FOUND, OF_EPISODE, SUSPECTED
from pipeline.correction.site_facts import site_facts
from pipeline.correction.three_lines import services_of_three, with_wirings
from pipeline.faults.types import Fault
from pipeline.ingest.registers import Registers

RIGHT_READINGS = "the readings are right; the site record is wrong"
CLOCK = "the home's clock is off, so what it read when can't be told"
DAY = pl.duration(days=1)


def find_episodes(
    night: Path,
    registers: Registers,
    settings: CorrectionSettings,
    *,
    catalogue: Mapping[str, Fault],
    first_day: date,
) -> pl.DataFrame:
    """Return the episodes (layout.EPISODE) of every home that was, or is, likely to have a fault, sorted.

    `from_on` is the day of the change where the data show one, else the first that anything says of it; `to_on` is null
    where the fault is still there. What is not to be corrected has `why_not`. Severities are null.

    Parameters
    ----------
    night
        The published run.
    registers
        Homes and visits.
    settings
        Section [correction].
    catalogue
        The faults by name.
    first_day
        The lake's first UTC day.
    """
    scores = pl.read_parquet(night / "site_scores.parquet", glob=False)
    promise = pl.read_parquet(night / "promise.parquet", glob=False)
    facts = site_facts(registers.sites, services_of_three(night)).select(
        "site_id", *OF_EPISODE, "commissioned_on"
    )
    found = _found(registers, promise, catalogue, facts=facts)
    suspected = _suspected(scores, registers, settings)
    both = pl.concat([found, suspected], how="diagonal").join(
        facts, on="site_id", how="left", maintain_order="left"
    )
    first = pl.max_horizontal(pl.lit(first_day), pl.col("commissioned_on"), pl.col("after_on"))
    episodes = both.with_columns(
        from_on=pl.coalesce("from_on", first),
        why_not=pl.coalesce(_never(catalogue), pl.col("why_not")),
    ).filter(pl.col("to_on").is_null() | (pl.col("to_on") >= pl.col("from_on")))
    columns = [
        pl.col(name) if name in episodes.columns else pl.lit(None).alias(name) for name in EPISODE.names()
    ]
    table = episodes.select(columns).cast(EPISODE).sort("site_id", "from_on")  # type: ignore[arg-type]
    return with_wirings(table, night, catalogue)


def _never(catalogue: Mapping[str, Fault]) -> pl.Expr:
    right = [name for name, fault in catalogue.items() if fault.remains == "right"]
    return pl.when(pl.col("fault").is_in(right)).then(pl.lit(RIGHT_READINGS))


def _suspected(scores: pl.DataFrame, registers: Registers, settings: CorrectionSettings) -> pl.DataFrame:
    """Return the open episodes: homes that are likelier than not to have a fault now."""
    was_left = pl.col("found").is_in(FAULTS) & ~pl.col("fixed").fill_null(False)
    last = (
        registers.visits.filter(pl.col("visited_on") <= registers.as_of, ~was_left.fill_null(False))
        .group_by("site_id")
        .agg(after_on=pl.col("visited_on").max() + DAY)
    )
    likely = scores.filter(pl.col("likelihood") >= 0.5).select(
        "site_id", "likely_leg", "onset_on", "is_clock_suspect", "record_likelihood", "fault_likelihoods",
        fault="likely_fault",
    )  # fmt: skip
    ranked = (
        likely.select("site_id", pl.col("fault_likelihoods").struct.field(*FAULTS))
        .unpivot(index="site_id", variable_name="name", value_name="share")
        .sort("site_id", "share", descending=[False, True])
        .with_columns(place=pl.int_range(pl.len()).over("site_id"))
    )
    first, second = (
        ranked.filter(pl.col("place") == place).select("site_id", "name", "share") for place in (0, 1)
    )
    homes = (
        likely.join(first.select("site_id", likelihood="share"), on="site_id", maintain_order="left")
        .join(
            second.select("site_id", rival_fault="name", rival_likelihood="share"),
            on="site_id",
            maintain_order="left",
        )
        .join(last, on="site_id", how="left", maintain_order="left")
        .with_columns(
            is_rival=pl.col("rival_likelihood") >= settings.rival_share * pl.col("likelihood"),
            leg=pl.col("likely_leg").cast(pl.String),
        )
    )
    together = pl.col("likelihood") + pl.when("is_rival").then("rival_likelihood").otherwise(0.0)
    unlikely = f"less likely than the {100 * settings.least_likelihood:.0f} % asked for"
    too_low = pl.when(together < settings.least_likelihood).then(pl.lit(unlikely))
    other_cause = pl.when(pl.col("record_likelihood") >= settings.rival_share * pl.col("likelihood")).then(
        pl.lit("a cause that is no install fault is nearly as likely")
    )
    clock = pl.when("is_clock_suspect").then(pl.lit(CLOCK))
    return homes.select(
        "site_id", "fault", "leg", "after_on", "likelihood", from_on="onset_on",
        to_on=pl.lit(None, pl.Date), basis=pl.lit(SUSPECTED), why_not=pl.coalesce(too_low, other_cause, clock),
        rival_fault=pl.when("is_rival").then("rival_fault"), rival_leg=pl.when("is_rival").then("leg"),
        rival_likelihood=pl.when("is_rival").then("rival_likelihood"),
    )  # fmt: skip


def _found(
    registers: Registers, promise: pl.DataFrame, catalogue: Mapping[str, Fault], *, facts: pl.DataFrame
) -> pl.DataFrame:
    """Return the episodes that a visit ended: a fault found and said to be put right."""
    visits = registers.visits.filter(pl.col("visited_on") <= registers.as_of).sort("site_id", "visited_on")
    before = visits.with_columns(after_on=pl.col("visited_on").shift(1).over("site_id") + DAY)
    office = [name for name, fault in catalogue.items() if fault.remedy.fix_by == "office"]
    known = promise.select("visit_id", since=pl.coalesce("since", "scored_since"), promised_leg="leg").unique(
        "visit_id", keep="first", maintain_order=True
    )
    return (
        before.filter(pl.col("found").is_in(FAULTS), pl.col("fixed").fill_null(False))
        .join(known, on="visit_id", how="left", maintain_order="left")
        .with_columns(leg=pl.coalesce(pl.col("leg").cast(pl.String), pl.col("promised_leg").cast(pl.String)))
        .join(facts.select("site_id", "service"), on="site_id", how="left", maintain_order="left")
        .join(_only_legs(catalogue), on=["found", "service"], how="left", maintain_order="left")
        .with_columns(is_without_leg=pl.coalesce("leg", "only_leg").is_null())
        .with_columns(leg=pl.coalesce("leg", "only_leg"))
        .select(
            "site_id", "leg", "after_on", fault="found", from_on="since", to_on=pl.col("visited_on") - DAY,
            likelihood=pl.lit(1.0), basis=pl.lit(FOUND),
            ended_by=pl.when(pl.col("found").is_in(office)).then(pl.lit(BY_SETTING)).otherwise(pl.lit(BY_VISIT)),
            why_not=pl.when("is_without_leg").then(pl.lit("the visit doesn't say which leg")),
        )
    )  # fmt: skip


def _only_legs(catalogue: Mapping[str, Fault]) -> pl.DataFrame:
    """Return `found`, `service` and `only_leg` of faults that have no choice of legs on several lines."""
    rows = [
        (name, service, legs[0])
        for name, fault in catalogue.items()
        if fault.legs_of(2) == (BOTH,)
        for service in SERVICES
        if len(legs := fault.legs_on(service)) == 1
    ]
    return pl.DataFrame(rows, schema=dict.fromkeys(("found", "service", "only_leg"), pl.String), orient="row")
