"""Every fix that was written down: whether the data proved it or disproved it, after how many nights, and rightly."""

from __future__ import annotations

from datetime import date

import polars as pl

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
_SAID = {PROVED: "proved", DISPROVED: "disproved"}


def fixes(ledger: pl.DataFrame, watched: pl.DataFrame, last: date) -> pl.DataFrame:
    """Return FIXES, a row an attempt that says the home was put right, in order.

    Parameters
    ----------
    ledger
        crew.LEDGER.
    watched
        `series.read_watched`: the standing of each visited home after each night.
    last
        The last night.
    """
    later = (
        pl.col("visited_on").shift(-1).over("site_id", order_by=["visited_on", "visit_id"]).alias("next_on")
    )
    fixed = ledger.filter(pl.col("found").is_not_null()).with_columns(later).filter("fixed")
    said = pl.col("proof").replace_strict(_SAID, default=OPEN, return_dtype=pl.String)
    speaks = (
        fixed.select("visit_id", "site_id", "visited_on", "next_on")
        .join(watched, on="site_id")
        .filter(
            (pl.col("night") >= pl.col("visited_on"))
            & (pl.col("night") < pl.col("next_on")).fill_null(True)
            & (pl.col("last_visit_on") == pl.col("visited_on"))
        )
        .with_columns(said.alias("said"))
        .sort("visit_id", "night")
    )
    first = (
        speaks.filter(pl.col("said") != OPEN)
        .group_by("visit_id", maintain_order=True)
        .first()
        .select("visit_id", "said", pl.col("night").alias("settled_on"), pl.col("proof_told").alias("told"))
    )
    at_last = (
        speaks.group_by("visit_id", maintain_order=True)
        .last()
        .select(
            "visit_id", pl.col("night").alias("last_night"), pl.col("said").alias("last_said"),
            pl.col("proof_told").alias("last_told"), "unproven_why",
        )
    )  # fmt: skip
    days = (pl.col("settled_on") - pl.col("visited_on")).dt.total_days()
    left = (pl.coalesce("last_night", pl.lit(last)) - pl.col("visited_on")).dt.total_days()
    return (
        fixed.join(first, on="visit_id", how="left")
        .join(at_last, on="visit_id", how="left")
        .with_columns(
            pl.col("said").fill_null(OPEN),
            pl.col("last_said").fill_null(OPEN),
            pl.col("is_put_right").alias("was_right"),
            days.alias("nights"),
            left.alias("nights_left"),
            pl.coalesce("told", "last_told").alias("told"),
        )
        .with_columns(pl.when(pl.col("said") == OPEN).then(_why_open()).alias("why_open"))
        .sort("visited_on", "visit_id")
        .select(pl.col(name).cast(kind) for name, kind in FIXES.items())
    )


def _why_open() -> pl.Expr:
    return (
        pl.when(pl.col("next_on").is_not_null()).then(pl.lit("visited again first"))
        .when(pl.col("told").str.starts_with("no data").fill_null(True)).then(pl.lit("no data since the visit"))
        .when(pl.col("nights_left") < SHORT_NIGHTS)
        .then(pl.lit(TOO_SHORT))
        .when(pl.col("unproven_why").is_not_null()).then(pl.col("unproven_why"))
        .otherwise(pl.lit("the data lean one way, not far enough"))
    )  # fmt: skip


def summary(of: pl.DataFrame) -> pl.DataFrame:
    """Return how FIXES ended: all, those that worked and those that didn't; then by how the fix was made.

    `median_nights`, `p90_nights` are over the settled ones; `p90_of_all` counts an open one as longer than any and
    is null where that many are open. Quantiles are the least number of nights within which that share was settled.
    """
    groups = [
        ("all fixes", of),
        ("that worked", of.filter("was_right")),
        ("that did not", of.filter(~pl.col("was_right"))),
        *((f"by {by}", part) for (by,), part in sorted(of.partition_by("by", as_dict=True).items())),
    ]
    return pl.DataFrame(
        [{"fixes": name, **_ended(part)} for name, part in groups], infer_schema_length=None
    ).cast(dict.fromkeys(("median_nights", "p90_nights", "p90_of_all"), pl.Int64))


def by_fault(of: pl.DataFrame) -> pl.DataFrame:
    """Return how FIXES ended for each true fault, in order of name."""
    parts = sorted(of.partition_by("true_fault", as_dict=True).items(), key=lambda pair: str(pair[0]))
    rows = [{"fault": fault, **_ended(part)} for (fault,), part in parts]
    return pl.DataFrame(rows, infer_schema_length=None)


def why_open(of: pl.DataFrame) -> pl.DataFrame:
    """Return how many FIXES stayed open, and why, most first."""
    is_open = of.filter(pl.col("said") == OPEN)
    return (
        is_open.group_by("why_open")
        .agg(
            pl.len().alias("count"), pl.col("was_right").sum().alias("worked"), pl.col("nights_left").median()
        )
        .sort("count", "why_open", descending=[True, False])
    )


def _ended(part: pl.DataFrame) -> dict[str, int | float | None]:
    settled = part["nights"].drop_nulls().sort().to_list()
    count = {word: int((part["said"] == word).sum()) for word in ("proved", "disproved", OPEN)}
    wrong = part.filter(
        ((pl.col("said") == "proved") & ~pl.col("was_right"))
        | ((pl.col("said") == "disproved") & pl.col("was_right"))
    )
    return {
        "count": part.height, **count, "wrong": wrong.height,
        "median_nights": _within(settled, 0.5, len(settled)), "p90_nights": _within(settled, 0.9, len(settled)),
        "p90_of_all": _within(settled, 0.9, part.height),
    }  # fmt: skip


def _within(nights: list[int], share: float, of: int) -> int | None:
    """Return the least number of nights within which `share` of `of` fixes were settled; None if that many weren't."""
    at = max(1, -int(-share * of // 1))
    return nights[at - 1] if of and at <= len(nights) else None
