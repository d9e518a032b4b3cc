"""Day by day: what was misreported, how many homes were still faulty, how many visits went to a right home."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.evaluation.policy_simulation.policies import DESK, TRUCK
from pipeline.evaluation.policy_simulation.world import World

COUNTS = ("faulty_left", "visits", "wasted", "desk", "desk_in_vain", "put_right")
SUMMED = ("wrong_kwh", "visits", "wasted")


def daily_totals(world: World, ledger: pl.DataFrame, days: Sequence[date]) -> pl.DataFrame:
    """Return one row a day of `days`, in order, from the truth and what the ledger (crew.LEDGER) has put right.

    `faulty_left` homes at the end of the UTC day; `wrong_kwh` misreported in it [kWh]; `visits` by truck, `wasted`
    of them to a home with nothing wrong; `desk` fixes tried, `desk_in_vain` of them with nothing for the desk to
    correct; `put_right` homes; and the sums since the first day, `*_so_far`.
    """
    calendar = pl.DataFrame({"day": list(days)}, schema={"day": pl.Date})
    right = ledger.filter("is_put_right").select("site_id", "right_from")
    faulty = world.homes.filter(pl.col("fault") != "").join(right, on="site_id", how="left")
    midnight = (pl.col("day") + pl.duration(days=1)).cast(pl.Datetime("us"))
    has_begun = (pl.col("began_at") < midnight).fill_null(True) & (pl.col("commissioned_on") <= pl.col("day"))
    is_left = (pl.col("right_from") >= midnight).fill_null(True)
    left = calendar.join(faulty, how="cross").group_by("day").agg(faulty_left=(has_begun & is_left).sum())
    wrong = (
        world.wrong.join(right, on="site_id", how="left")
        .filter((pl.col("hour_start") < pl.col("right_from")).fill_null(True))
        .group_by(day=pl.col("hour_start").dt.date())
        .agg(pl.col("wrong_kwh").sort().sum())  # the same sum in any order
    )
    is_truck, is_desk = pl.col("by") == TRUCK, pl.col("by") == DESK
    attempts = ledger.group_by(day="visited_on").agg(
        visits=is_truck.sum(),
        wasted=(is_truck & ~pl.col("was_faulty")).sum(),
        desk=is_desk.sum(),
        desk_in_vain=(is_desk & pl.col("found").is_null()).sum(),
        put_right=pl.col("is_put_right").sum(),
    )
    totals = calendar
    for table in (left, wrong, attempts):
        totals = totals.join(table, on="day", how="left")
    return (
        totals.sort("day")
        .with_columns(pl.col(COUNTS).fill_null(0).cast(pl.Int64), pl.col("wrong_kwh").fill_null(0.0))
        .with_columns(pl.col(SUMMED).cum_sum().name.suffix("_so_far"))
        .select("day", *COUNTS, "wrong_kwh", *(f"{name}_so_far" for name in SUMMED))
    )


def repeated_attempts(ledger: pl.DataFrame, *, is_same_reason: bool = True) -> pl.DataFrame:
    """Return the attempts at a home that had been settled before, when nothing new had begun.

    Settled: an earlier attempt, chosen for the same reason where `is_same_reason`, found the home sound or put it
    right. By the truth: it doesn't matter whether anybody knew.
    """
    keys = ["site_id", "reason"] if is_same_reason else ["site_id"]
    settles = ((pl.col("found") == SOUND).fill_null(False) | pl.col("is_put_right")).cast(pl.Int64)
    before = settles.cum_sum().over(keys) - settles
    return ledger.sort("visited_on", "visit_id").filter((before > 0) & ~pl.col("was_faulty"))
