"""Scores beside the truth, one row a home: what every measure of the proof is taken from.

Two faults with the same powers look the same where a home reports no leg voltages: they are one class with two names,
and either counts as right for either.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.faults.catalogue import CATALOGUE

_PAIRS = [(name, fault.same_powers_as) for name, fault in CATALOGUE.items() if fault.same_powers_as]
TWINS = {name: twin for pair in _PAIRS for name, twin in (pair, pair[::-1])}
TWINS_SAID = (
    f"without leg voltages {', '.join(' and '.join(pair) for pair in _PAIRS)} on both legs are one class with two "
    "names, and either counts as right"
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


def carried(lake: Path) -> pl.DataFrame:
    """Return what each home's intervals carry: site_id, has_l2, has_pv, has_volts, has_meter (booleans).

    `has_volts` is true where both legs' voltages were ever reported, `has_pv` where production was ever above 0.
    """
    files = sorted((lake / "intervals").glob("date=*/*.parquet"))
    have = set().union(*(pl.read_parquet_schema(path) for path in files[:1]))

    def ever(*names: str) -> pl.Expr:
        if not have.issuperset(names):
            return pl.lit(False)
        return pl.all_horizontal(pl.col(name).is_not_null().any() for name in names)

    rows = pl.scan_parquet(files, hive_partitioning=False)
    found = rows.group_by("site_id").agg(
        ever("l2_w").alias("has_l2"),
        (pl.col("pv_w") > 0).any().fill_null(False).alias("has_pv"),
        ever("l1_v", "l2_v").alias("has_volts"),
        ever("import_wh", "export_wh").alias("has_meter"),
    )
    return found.collect(engine="streaming").sort("site_id")


def judge(scores: pl.DataFrame, truth: pl.DataFrame, carries: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Return one row a home of `truth`, most likely faulty first.

    Parameters
    ----------
    scores
        `site_scores`: site_id, likelihood, verdict, suspected_fault, leg, likely_fault, likely_leg, fault_likelihoods.
    truth
        `read_truth`; a fault that begins after `as_of` isn't there yet, one that begins within the window is.
    carries
        `carried`.

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
    told = scores.select(
        "site_id", "likelihood", "verdict", "fault_likelihoods",
        named=pl.col("suspected_fault").fill_null(SOUND), named_leg=pl.col("leg"),
        order_fault="likely_fault", order_leg="likely_leg",
    )  # fmt: skip
    joined = (
        truth.select("site_id", "fault", "leg", "onset_on", "hard_negative", "sees_pv_true")
        .join(carries, on="site_id", how="left")
        .join(told, on="site_id", how="inner")
        .with_columns(is_faulty=is_faulty, has_volts=pl.col("has_volts").fill_null(False))
        .with_columns(
            twin=pl.when(~pl.col("has_volts") & pl.col("is_faulty")).then(_twin("fault", "leg")),
            is_from_first_day=pl.col("is_faulty") & pl.col("onset_on").is_null(),
            fault=pl.when("is_faulty").then("fault").otherwise(pl.lit(SOUND)),
            leg=pl.when("is_faulty").then("leg"),
            position=pl.when("sees_pv_true").then(pl.lit("upstream")).otherwise(pl.lit("downstream")),
        )
    )
    return (
        joined.with_columns(
            is_named_right=_has_name("named", "named_leg"),
            is_leg_right=pl.col("named_leg").eq_missing(pl.col("leg")),
            is_order_right=_has_name("order_fault", "order_leg"),
            is_order_leg_right=pl.col("order_leg").eq_missing(pl.col("leg")),
            weight=pl.lit(1.0),
        )
        .sort("likelihood", "site_id", descending=[True, False])
        .with_columns(rank=pl.int_range(1, pl.len() + 1))
        .drop("onset_on", "sees_pv_true")
    )


def _has_name(name: str, leg: str) -> pl.Expr:
    fault = pl.col("fault")
    return (pl.col(name) == fault) | (pl.col("twin").is_not_null() & _twin(name, leg).eq_missing(fault))


def _twin(name: str, leg: str) -> pl.Expr:
    """Return the fault that only leg voltages tell from the one in these columns; null where none is."""
    is_both = pl.col(leg).eq_missing(pl.lit("both"))
    return pl.coalesce(
        pl.when((pl.col(name) == one) & (is_both | (CATALOGUE[one].legs == ("both",)))).then(pl.lit(twin))
        for one, twin in TWINS.items()
    )


def pool(parts: list[pl.DataFrame]) -> pl.DataFrame:
    """Return the homes of several fleets as one, ranked anew; ids get the number of their part in front."""
    numbered = [
        part.with_columns(site_id=pl.format("{}/{}", pl.lit(at), "site_id")) for at, part in enumerate(parts)
    ]
    whole = pl.concat(numbered, how="diagonal_relaxed")
    return whole.sort("likelihood", "site_id", descending=[True, False]).with_columns(
        rank=pl.int_range(1, pl.len() + 1)
    )


def as_if(judged: pl.DataFrame, fault_share: float, hard_share: float) -> pl.DataFrame:
    """Return the homes weighted as if these shares were faulty, and sound with something odd; the rest is plain.

    The weights' sum stays the number of homes. A fleet of many faulty and odd homes then has the measures of an
    ordinary one, with smaller errors. Groups that the fleet lacks leave their share to the others.
    """
    is_odd = ~pl.col("is_faulty") & pl.col("hard_negative").is_not_null()
    group = pl.when("is_faulty").then(0).when(is_odd).then(1).otherwise(2)
    wanted = {0: fault_share, 1: hard_share, 2: 1 - fault_share - hard_share}
    grouped = judged.with_columns(group=group)
    there = {int(at): wanted[at] for at in grouped["group"].unique().to_list()}
    total = sum(there.values())
    share = pl.col("group").replace_strict(
        {at: part / total for at, part in there.items()}, return_dtype=pl.Float64
    )
    return grouped.with_columns(weight=share * judged.height / pl.len().over("group")).drop("group")
