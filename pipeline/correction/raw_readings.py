"""A row as the CTs gave it: production that the source added back taken out, and what the utility's meter makes of it.

Signs as in the contract. Upstream of the tie-in the legs' true readings sum to the utility's net power, around the
loads to net power plus production plus battery, since net = load - production - battery. Where nobody says on which
side the CTs sit, what the legs must sum to isn't known.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.line_columns import lines_in
from pipeline.core.services import SERVICES

# Columns that `with_raw` adds: raw_* [W] without production added back, `added` its share a leg,
# `seen` [W] what solar and battery take off the sum of all legs, `metered_sum` [W] what the legs must sum to; raw_l3
# and is_cut_l3 where there is a third line.
ADDED = ("raw_l1", "raw_l2", "added", "seen", "metered_sum", "is_cut_l1", "is_cut_l2")
_SHARES = {name: 1.0 / service.line_count for name, service in SERVICES.items()}


def with_raw(rows: pl.DataFrame) -> pl.DataFrame:
    """Return `rows` with ADDED.

    `rows` are contract rows, sorted by home and time, beside `service`, `is_upstream`, `is_added_back`, `has_battery`
    and `minutes`, the length of an interval.
    A reading of exactly 0 where production is added back may have been cut off there: `is_cut_*`.
    """
    share = pl.col("service").replace_strict(_SHARES, default=None, return_dtype=pl.Float64)
    legs = lines_in(rows.columns, "{}_w")
    production, battery = pl.col("pv_w").fill_null(0.0), pl.col("battery_w").fill_null(0.0)
    added = pl.when(~pl.col("is_added_back")).then(0.0).otherwise(share.fill_null(0.5))
    feeding = production + battery
    # A battery of unknown power makes the sum unknown around the loads, and the load unknown upstream.
    is_hidden = pl.col("has_battery") & pl.col("battery_w").is_null()
    net = (pl.col("import_wh") - pl.col("export_wh")) * 60 / pl.col("minutes")
    return (
        rows.with_columns(added=added)
        .with_columns(
            **{f"raw_{leg}": pl.col(f"{leg}_w") - pl.col("added") * production for leg in legs},
            seen=pl.when(pl.col("is_upstream") & ~is_hidden).then(feeding).when(~pl.col("is_upstream")).then(0.0),
            metered_sum=pl.when("is_upstream").then(net)
            .when(~pl.col("is_upstream") & ~is_hidden).then(net + feeding),
            **{f"is_cut_{leg}": pl.col("is_added_back") & (pl.col(f"{leg}_w") == 0) for leg in legs},
        )
    )  # fmt: skip
