"""Every fix that was written down: whether the data verified or disproved it, after how many nights, and rightly."""

from __future__ import annotations

from datetime import date
from math import ceil

import polars as pl

from pipeline.core.glossary import ATTEMPTS
from pipeline.worklist.fix_verification import DISPROVED, PROVED

OPEN = "open"
SHORT_NIGHTS = 14  # with fewer nights than this to go, an open fix lacked time
TOO_SHORT = f"fewer than {SHORT_NIGHTS} nights were left"
# was_right: the fix worked in truth; said: proved, disproved or open, at first; nights from the visit to that;
# last_said: on the last night that speaks of this visit; nights_left: from the visit to that night.
FIXES = pl.Schema(
    {
        "visit_id": pl.String, "site_id": pl.String, "visited_on": pl.Date, "by": pl.String, "found": pl.String,
        "leg": pl.String, "true_fault": pl.String, "was_right": pl.Boolean, "said": pl.String,
        "settled_on": pl.Date, "nights": pl.Int64, "last_said": pl.String, "nights_left": pl.Int64,
        "why_open": pl.String, "told": pl.String,
    }
)  # fmt: skip
_WORDS = {PROVED: "proved", DISPROVED: "disproved"}
_QUANTILES = ("median_nights", "p90_nights", "p90_of_all")


def list_fixes(ledger: pl.DataFrame, standings: pl.DataFrame, last: date) -> pl.DataFrame:
    """Return FIXES, a row an attempt that says the home was put right, in order.

    `ledger` is crew.LEDGER, `standings` is `series.read_standings`: the standing of each visited home after each
    night, `last` is the last night.
    """
    next_on = pl.col("visited_on").shift(-1).over("site_id", order_by=["visited_on", "visit_id"])
    fixed = ledger.filter(pl.col("found").is_not_null()).with_columns(next_on=next_on).filter("fixed")
    nights = (
        fixed.select("visit_id", "site_id", "visited_on", "next_on")
        .join(standings, on="site_id")
        .filter(
            (pl.col("night") >= pl.col("visited_on"))
            & (pl.col("night") < pl.col("next_on")).fill_null(True)
            & (pl.col("last_visit_on") == pl.col("visited_on"))
        )
        .with_columns(said=pl.col("proof").replace_strict(_WORDS, default=OPEN, return_dtype=pl.String))
        .sort("visit_id", "night")
    )
    settled = nights.filter(pl.col("said") != OPEN).unique("visit_id", keep="first", maintain_order=True)
    final = nights.unique("visit_id", keep="last", maintain_order=True)
    days = (pl.col("settled_on") - pl.col("visited_on")).dt.total_days()
    left = (pl.coalesce("last_night", pl.lit(last)) - pl.col("visited_on")).dt.total_days()
    return (
        fixed.join(
            settled.select("visit_id", "said", settled_on="night", told="proof_told"),
            on="visit_id", how="left",
        )
        .join(
            final.select(
                "visit_id", "unproven_why", last_night="night", last_said="said", last_told="proof_told"
            ),
            on="visit_id", how="left",
        )
        .with_columns(
            pl.col("said", "last_said").fill_null(OPEN),
            was_right="is_put_right", nights=days, nights_left=left, told=pl.coalesce("told", "last_told"),
        )
        .with_columns(why_open=pl.when(pl.col("said") == OPEN).then(_why_open()))
        .sort("visited_on", "visit_id")
        .select(pl.col(name).cast(kind) for name, kind in FIXES.items())
    )  # fmt: skip


def _why_open() -> pl.Expr:
    return (
        pl.when(pl.col("next_on").is_not_null()).then(pl.lit("visited again first"))
        .when(pl.col("told").str.starts_with("no data").fill_null(True)).then(pl.lit("no data since the visit"))
        .when(pl.col("nights_left") < SHORT_NIGHTS).then(pl.lit(TOO_SHORT))
        .when(pl.col("unproven_why").is_not_null()).then(pl.col("unproven_why"))
        .otherwise(pl.lit("the data point one way, but not clearly enough"))
    )  # fmt: skip


def summarize_fixes(fixes: pl.DataFrame) -> pl.DataFrame:
    """Return how FIXES ended: all, those that worked and those that didn't; then by how the fix was made.

    `median_nights`, `p90_nights` are over the settled ones; `p90_of_all` counts an open one as longer than any and
    is null where that many are open. Quantiles are the least number of nights within which that share was settled.
    """
    groups = {
        "all fixes": fixes,
        "that worked": fixes.filter("was_right"),
        "that did not": fixes.filter(~pl.col("was_right")),
        **{
            f"by {ATTEMPTS[by]}": part
            for (by,), part in sorted(fixes.partition_by("by", as_dict=True).items())
        },
    }
    rows = [{"fixes": name, **_count_outcomes(part)} for name, part in groups.items()]
    return pl.DataFrame(rows, schema_overrides=dict.fromkeys(_QUANTILES, pl.Int64))


def summarize_by_fault(fixes: pl.DataFrame) -> pl.DataFrame:
    """Return how FIXES ended for each true fault, in order of name."""
    parts = fixes.sort("true_fault").partition_by("true_fault", as_dict=True, maintain_order=True)
    rows = [{"fault": fault, **_count_outcomes(part)} for (fault,), part in parts.items()]
    return pl.DataFrame(rows, schema_overrides=dict.fromkeys(_QUANTILES, pl.Int64) if rows else None)


def count_open(fixes: pl.DataFrame) -> pl.DataFrame:
    """Return how many FIXES stayed open, and why, most first."""
    return (
        fixes.filter(pl.col("said") == OPEN)
        .group_by("why_open")
        .agg(count=pl.len(), worked=pl.col("was_right").sum(), nights_left=pl.col("nights_left").median())
        .sort("count", "why_open", descending=[True, False])
    )


def _count_outcomes(fixes: pl.DataFrame) -> dict[str, int | None]:
    nights = fixes["nights"].drop_nulls().sort().to_list()
    said = pl.col("said")
    is_wrong = pl.when("was_right").then(said == "disproved").otherwise(said == "proved")
    return {
        "count": fixes.height,
        **{word: fixes.filter(said == word).height for word in ("proved", "disproved", OPEN)},
        "wrong": fixes.filter(is_wrong).height,
        "median_nights": _quantile(nights, 0.5, len(nights)),
        "p90_nights": _quantile(nights, 0.9, len(nights)),
        "p90_of_all": _quantile(nights, 0.9, fixes.height),
    }


def _quantile(nights: list[int], share: float, fixes: int) -> int | None:
    """Return the least number of nights within which that share of the fixes was settled; None if it wasn't."""
    count = max(1, ceil(share * fixes))
    return nights[count - 1] if fixes and count <= len(nights) else None
