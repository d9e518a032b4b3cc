"""What a safety call changes in the other tables: it comes first, and no CT work is done before it is cleared."""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import SAFETY
from pipeline.worklist.home_status_text import HELD, LISTED, SETTLED, Reason


def open_calls(calls: pl.DataFrame) -> pl.DataFrame:
    """Return site_id and `safety_call`, the status of each open call of table safety_call."""
    return calls.filter("is_open").select("site_id", safety_call="status")


def with_safety_verdict(table: pl.DataFrame, calls: pl.DataFrame) -> pl.DataFrame:
    """Return a table with `verdict` "safety" for every home with an open call, whatever tonight's data say."""
    is_open = pl.col("site_id").is_in(open_calls(calls)["site_id"].implode())
    return table.with_columns(verdict=pl.when(is_open).then(pl.lit(SAFETY)).otherwise("verdict"))


def listed_with_calls(listed: pl.DataFrame, calls: pl.DataFrame) -> pl.DataFrame:
    """Return revisit_list with `safety_call`, the status of the home's open call, null where there is none.

    A home that is also suspected of a CT fault keeps its row and rank; its verdict is "safety", and its evidence begins
    with the call.
    """
    named = listed.join(open_calls(calls), on="site_id", how="left", maintain_order="left")
    first = pl.format(
        "safety call first ({}): no CT work before it is cleared; {}", "safety_call", "evidence"
    )
    evidence = pl.when(pl.col("safety_call").is_not_null()).then(first).otherwise("evidence")
    return with_safety_verdict(named, calls).with_columns(evidence=evidence)


def standing_with_calls(standing: pl.DataFrame, calls: pl.DataFrame) -> pl.DataFrame:
    """Return the standings; one that is open says so in its `cause`, and is not called right for its CTs' sake."""
    open_status = pl.col("safety_call")
    is_told = open_status.is_not_null() & ~pl.col("standing").is_in(SETTLED)
    no_reason = ~pl.col("reason").is_in([*LISTED, *HELD])
    first = pl.format("safety call ({}), no CT work before it is cleared", open_status)
    return (
        standing.join(open_calls(calls), on="site_id", how="left", maintain_order="left")
        .with_columns(
            reason=pl.when(open_status.is_not_null() & no_reason).then(pl.lit(Reason.SAFETY_CALL)).otherwise("reason"),
            cause=pl.when(is_told & no_reason).then(first)
            .when(is_told).then(pl.format("{}; {}", first, "cause"))
            .otherwise("cause"),
        )
        .drop("safety_call")
    )  # fmt: skip
