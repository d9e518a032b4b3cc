"""The example night with one home of three lines in it: CTs of L1 and L2 exchanged, production on L2 and L3 only."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
from example import example_night

from pipeline.report import ReportInput

HOME = "MH-20417"
LEG = "l1+l2"
WIRINGS = (("l2+ l1+ l3+", 0.71), ("l2+ l1- l3+", 0.2), ("l1+ l2+ l3+", 0.06))
LOOK_AT = "the arrow of the CT of channel L2: towards the load, or turned around"
SHARES = (0.0, 0.5, 0.5)


def three_line_night() -> ReportInput:
    """Return the example night; its home HOME has a third line, which reads as L2 does."""
    night = example_night()
    is_home = pl.col("site_id") == HOME
    third = {f"pv_share_l{line}": share for line, share in enumerate(SHARES, start=1)} | {"line_count": 3}
    copied = [name for name in night.site_scores.columns if "_l2_" in name or name.endswith("_l2")]
    scores = night.site_scores.with_columns(
        *(pl.when(is_home).then(pl.col(name)).alias(name.replace("l2", "l3")) for name in copied),
        *(pl.when(is_home).then(value).alias(name) for name, value in third.items()),
        suspected_fault=pl.when(is_home).then(pl.lit("legs_crossed")).otherwise("suspected_fault"),
        leg=pl.when(is_home).then(pl.lit(LEG)).otherwise("leg"),
        service=pl.when(is_home).then(pl.lit("230/400")).otherwise("service"),
    )
    of_days = [name for name in night.site_daily.columns if "_l2_" in name or name.endswith("_l2")]
    return replace(
        night,
        site_scores=scores,
        revisit_list=night.revisit_list.with_columns(
            suspected_fault=pl.when(is_home).then(pl.lit("legs_crossed")).otherwise("suspected_fault"),
            leg=pl.when(is_home).then(pl.lit(LEG)).otherwise("leg"),
        ),
        sites=night.sites.with_columns(
            service=pl.when(is_home).then(pl.lit("230/400")).otherwise("service"),
            pv_on=pl.when(is_home).then(pl.lit("l2+l3")),
        ),
        site_daily=night.site_daily.with_columns(
            pl.when(is_home).then(pl.col(name)).alias(name.replace("l2", "l3")) for name in of_days
        ),
        site_hour=night.site_hour.with_columns(l3_w=pl.when(is_home).then("l2_w")),
        wiring=pl.DataFrame(
            [(HOME, place, code, share, LOOK_AT if place == 1 else None)
             for place, (code, share) in enumerate(WIRINGS, start=1)],
            schema=["site_id", "ordinal", "wiring", "likelihood", "look_at"],
            orient="row",
        ),
    )  # fmt: skip
