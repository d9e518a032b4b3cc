"""The third line in table site_daily."""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.core.line_pairs import rows_of_pair
from pipeline.core.services import LINES

THIRD_LINE: Final = (
    "slope_l3", "slope_l3_se", "night_l3_w", "night_l3_negative_share", "zero_l3_share", "tiny_l3_share",
)  # fmt: skip


def with_third_line(daily: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    """Return table site_daily with THIRD_LINE of homes with three lines; `pairs` is the same of their pairs of lines.

    A line is at zero while another one lives where either of its pairs says so.
    """
    second, third = rows_of_pair(pairs, "23"), rows_of_pair(pairs, "31")
    told = second.select(
        "site_id", "day", *(pl.col(name.replace("l3", "l2")).alias(name) for name in THIRD_LINE),
        beside_l2="zero_l1_share",
    ).join(
        third.select("site_id", "day", beside_l3="zero_l1_share", beside_l1="zero_l2_share"), on=("site_id", "day")
    )  # fmt: skip
    return (
        daily.join(told, on=("site_id", "day"), how="left", maintain_order="left")
        .with_columns(
            pl.max_horizontal(f"zero_{line}_share", f"beside_{line}").alias(f"zero_{line}_share")
            for line in LINES
        )
        .drop("beside_l1", "beside_l2", "beside_l3")
    )
