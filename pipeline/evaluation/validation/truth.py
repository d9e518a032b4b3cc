"""Scores beside the truth, one row a home: what every metric of the validation is taken from.

Two faults with the same powers look the same where a home reports no leg voltages: they are one class with two names,
and either counts as right for either.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.core.services import BOTH
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.fault_text import fault_title

_PAIRS = [(name, fault.same_powers_as) for name, fault in CATALOGUE.items() if fault.same_powers_as]
TWINS = {name: twin for pair in _PAIRS for name, twin in (pair, pair[::-1])}
TWINS_NOTE = (
    f"without leg voltages, {'; '.join(' and '.join(map(fault_title, pair)) for pair in _PAIRS)} on both legs look the "
    "same in the data, and either name counts as correct"
)
PLAIN = "plain sound home"


def read_truth(path: Path) -> pl.DataFrame:
    """Return truth.csv with typed dates and booleans; what is empty is null, a fault's absence is `sound`."""
    frame = pl.read_csv(path, infer_schema_length=None, try_parse_dates=True)
    text = ("site_id", "fault", "leg", "severity", "hard_negative")
    return frame.with_columns(
        *(pl.col(name).cast(pl.String).replace("", None) for name in text if name in frame.columns),
        pl.col("onset_on").cast(pl.String).str.to_date(strict=False),
        pl.col("sees_pv_true").cast(pl.String).str.to_lowercase() == "true",
    ).with_columns(pl.col("fault").fill_null(SOUND))


def read_channels(lake: Path) -> pl.DataFrame:
    """Return what each home's intervals report: site_id, has_l2, has_pv, has_volts, has_meter (booleans).

    `has_volts` is true where both legs' voltages were ever reported, `has_pv` where production was ever above 0.
    """
    files = sorted((lake / "intervals").glob("date=*/*.parquet"))
    columns = set().union(*(pl.read_parquet_schema(path) for path in files[:1]))

    def ever(*names: str) -> pl.Expr:
        if not columns.issuperset(names):
            return pl.lit(False)
        return pl.all_horizontal(pl.col(name).is_not_null().any() for name in names)

    channels = (
        pl.scan_parquet(files, hive_partitioning=False)
        .group_by("site_id")
        .agg(
            has_l2=ever("l2_w"),
            has_pv=(pl.col("pv_w") > 0).any().fill_null(False),
            has_volts=ever("l1_v", "l2_v"),
            has_meter=ever("import_wh", "export_wh"),
        )
    )
    return channels.collect(engine="streaming").sort("site_id")


def join_truth(
    scores: pl.DataFrame, truth: pl.DataFrame, channels: pl.DataFrame, *, as_of: date
) -> pl.DataFrame:
    """Return one row a home of `truth` that has scores, most likely faulty first.

    Parameters
    ----------
    scores
        `site_scores`: site_id, likelihood, ct_verdict, suspected_fault, leg, likely_fault, likely_leg,
        fault_likelihoods.
    truth
        `read_truth`.
    channels
        `read_channels`.
    as_of
        A fault that begins after this day isn't there yet, one that begins within the window is.

    Returns
    -------
    DataFrame
        `site_id`, `rank` from 1, `likelihood`, `verdict`, `named`, `named_leg`, `fault_likelihoods`; the truth:
        `fault`, `leg`, `is_faulty`, `is_from_first_day`, `hard_negative` (null none), `position` (upstream or
        downstream); `has_volts`; `twin` the other name it may go by (null none); `is_named_right`, `is_leg_right`;
        `is_order_right`, `is_order_leg_right` the same of `order_fault`, `order_leg`, the likeliest fault: what a
        work order names even where sound is likelier; `weight` 1.
    """
    is_faulty = (pl.col("fault") != SOUND) & (pl.col("onset_on").is_null() | (pl.col("onset_on") <= as_of))
    named = scores.select(
        "site_id", "likelihood", "fault_likelihoods", verdict="ct_verdict",
        named=pl.col("suspected_fault").fill_null(SOUND), named_leg=pl.col("leg"),
        order_fault="likely_fault", order_leg="likely_leg",
    )  # fmt: skip
    homes = (
        truth.select("site_id", "fault", "leg", "onset_on", "hard_negative", "sees_pv_true")
        .join(channels, on="site_id", how="left")
        .join(named, on="site_id", how="inner")
        .with_columns(is_faulty=is_faulty, has_volts=pl.col("has_volts").fill_null(False))
        .with_columns(
            twin=pl.when(~pl.col("has_volts") & pl.col("is_faulty")).then(_twin("fault", "leg")),
            is_from_first_day=pl.col("is_faulty") & pl.col("onset_on").is_null(),
            fault=pl.when("is_faulty").then("fault").otherwise(pl.lit(SOUND)),
            leg=pl.when("is_faulty").then("leg"),
            position=pl.when("sees_pv_true").then(pl.lit("upstream")).otherwise(pl.lit("downstream")),
        )
        .with_columns(
            is_named_right=_is_right("named", "named_leg"),
            is_leg_right=pl.col("named_leg").eq_missing(pl.col("leg")),
            is_order_right=_is_right("order_fault", "order_leg"),
            is_order_leg_right=pl.col("order_leg").eq_missing(pl.col("leg")),
            weight=pl.lit(1.0),
        )
    )
    return rank_homes(homes).drop("onset_on", "sees_pv_true")


def rank_homes(homes: pl.DataFrame) -> pl.DataFrame:
    """Return the homes in order of likelihood, the most likely faulty first, with their `rank` from 1."""
    ordered = homes.sort("likelihood", "site_id", descending=[True, False])
    return ordered.with_columns(rank=pl.int_range(1, pl.len() + 1))


def _is_right(name: str, leg: str) -> pl.Expr:
    fault = pl.col("fault")
    return (pl.col(name) == fault) | (pl.col("twin").is_not_null() & _twin(name, leg).eq_missing(fault))


def _twin(name: str, leg: str) -> pl.Expr:
    """Return the fault that only leg voltages tell from the one in these columns; null where none is."""
    is_both = pl.col(leg).eq_missing(pl.lit(BOTH))
    # three lines tell by their angles
    is_of_two = ~pl.col(leg).str.contains("+", literal=True).fill_null(False)
    return pl.coalesce(
        pl.when(
            (pl.col(name) == fault) & is_of_two & (is_both | (CATALOGUE[fault].legs_of(2) == (BOTH,)))
        ).then(pl.lit(twin))
        for fault, twin in TWINS.items()
    )


def pool_homes(fleets: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Return the homes of several fleets as one, ranked anew; ids get the number of their fleet in front."""
    numbered = [homes.with_columns(pooled_id(number)) for number, homes in enumerate(fleets)]
    return rank_homes(pl.concat(numbered, how="diagonal_relaxed"))


def pooled_id(number: int) -> pl.Expr:
    """Return the site_id of the homes of fleet `number` among pooled fleets."""
    return pl.format("{}/{}", pl.lit(number), "site_id").alias("site_id")


def reweight(homes: pl.DataFrame, fault_share: float, hard_share: float) -> pl.DataFrame:
    """Return the homes weighted as if these shares were faulty, and sound with something odd; the others are plain.

    The weights' sum stays the number of homes. A fleet of many faulty and odd homes then has the metrics of an
    ordinary one, with smaller errors. Groups that the fleet lacks leave their share to the others.
    """
    is_odd = ~pl.col("is_faulty") & pl.col("hard_negative").is_not_null()
    share = (
        pl.when("is_faulty")
        .then(fault_share)
        .when(is_odd)
        .then(hard_share)
        .otherwise(1 - fault_share - hard_share)
    )
    group = pl.when("is_faulty").then(0).when(is_odd).then(1).otherwise(2)
    grouped = homes.with_columns(group=group, share=share)
    total = grouped.unique("group")["share"].sum()
    weight = pl.col("share") / total * homes.height / pl.len().over("group")
    return grouped.with_columns(weight=weight).drop("group", "share")
