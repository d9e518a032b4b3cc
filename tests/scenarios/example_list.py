"""The tables behind the page Expected value: homes with prices, visits of two months; the last one differs."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import polars as pl

from pipeline.core.settings import Settings, load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.worklist.decision_curve import decision_curve, list_cut
from pipeline.worklist.expected_value import SCHEMA as WORTH
from pipeline.worklist.expected_value import terms
from pipeline.worklist.fix_success import chances
from pipeline.worklist.hit_rate import hit_rate
from pipeline.worklist.home_status import SCHEMA as STANDING
from pipeline.worklist.home_status_text import Reason
from pipeline.worklist.prediction_log import SCHEMA as PROMISE

HOSTILE_HOME = "<script>alert('x')</script>\"&../../etc\u2028passwd"
# site, fault, likelihood, verdict, kWh a day, drive [min; None: the desk]
HOMES = (
    ("MH-20417", "reversed", 0.94, "suspect", 12.0, 18.0),
    (HOSTILE_HOME, "reversed", 0.81, "suspect", 9.0, 31.0),
    ("MH-31150", "wrong_ratio", 0.88, "suspect", 6.0, None),
    ("poor-1", "pickup_noise", 0.58, "suspect", 0.4, 60.0),
    ("new-3", "reversed", 0.35, "unproven", 3.0, 20.0),
    ("fine-1", "partial", 0.02, "sound", 4.0, 20.0),
    ("fine-2", "dead", 0.01, "sound", 4.0, 20.0),
)


def worth_table(settings: Settings) -> pl.DataFrame:
    """Return table worth of HOMES."""
    rows = [
        {
            "site_id": site, "fault": fault, "leg": "l1", "likelihood": likelihood, "verdict": verdict,
            "fix_by": CATALOGUE[fault].remedy.fix_by, "minutes_on_site": CATALOGUE[fault].remedy.minutes,
            "kwh_per_day_wrong": kwh, "drive_min": drive, "chance_fixed": 0.9, "days_so_far": 30,
            "kwh_so_far": 30 * kwh, "kwh_so_far_low": 27 * kwh, "kwh_so_far_high": 36 * kwh,
            "kwh_read_so_far": 40 * kwh, "so_far_from": date(2026, 5, 16), "so_far_to": date(2026, 6, 14),
            "energy_from": "inverse" if CATALOGUE[fault].inverse else "bound",
        }
        for site, fault, likelihood, verdict, kwh, drive in HOMES
    ]  # fmt: skip
    priced = terms(pl.DataFrame(rows, schema_overrides={"drive_min": pl.Float64}), settings.ranking)
    return pl.concat([pl.DataFrame(schema=WORTH), priced], how="diagonal_relaxed").select(WORTH.names())


def promise_table(months: int = 2) -> pl.DataFrame:
    """Return visits that were predicted 80 %: 24 of 30 found a fault every month, 12 of 30 in May; one other cause.

    `months` is how many, May 2026 the last.
    """
    rows = []
    for ago in reversed(range(months)):
        year, month = divmod(2026 * 12 + 4 - ago, 12)
        for at in range(30):
            day, is_hit = date(year, month + 1, 1) + timedelta(days=min(at, 27)), at < (24 if ago else 12)
            rows.append(
                {
                    "visit_id": f"V{ago}-{at}", "site_id": f"v{ago}-{at}", "visited_on": day,
                    "month": f"{day:%Y-%m}",
                    "promised_on": day - timedelta(days=1), "age_days": 1, "likelihood": 0.8, "fault": "reversed",
                    "leg": "l1", "fix_by": "visit", "found": "reversed" if is_hit else "sound", "fixed": is_hit,
                    "is_hit": is_hit, "is_named_right": is_hit or None, "proof": "proved right" if is_hit else None,
                }
            )  # fmt: skip
    rows.append(
        rows[0]
        | {
            "visit_id": "V-other",
            "found": "other",
            "is_hit": None,
            "is_named_right": None,
            "proof": None,
            "left_out": "another cause found",
        }
    )
    return pl.DataFrame(rows, schema=PROMISE)


def list_tables(has_visits: bool = True, months: int = 2) -> Mapping[str, pl.DataFrame]:
    """Return the tables of the page Expected value."""
    settings = load_settings()
    worth, promise = (
        worth_table(settings),
        promise_table(months) if has_visits else pl.DataFrame(schema=PROMISE),
    )
    listed = (
        worth.filter((pl.col("verdict") == "suspect") & (pl.col("priority") > 0))
        .sort("priority", descending=True)
        .rename({"fault": "suspected_fault"})
        .with_columns(fault_likelihood=0.9 * pl.col("likelihood"), since=pl.lit(None, pl.Date))
        .with_row_index("rank", offset=1)
    )
    is_listed = pl.col("site_id").is_in(listed["site_id"].to_list()).alias("is_listed")
    beyond = pl.when(pl.col("site_id") == "poor-1").then(pl.lit(Reason.BEYOND_END)).alias("reason")
    standing = worth.select("site_id", is_listed, beyond)
    return {
        "worth": worth,
        "revisit_list": listed,
        "standing": pl.concat([pl.DataFrame(schema=STANDING), standing], how="diagonal_relaxed"),
        "chance": chances(promise, CATALOGUE, settings.ranking),
        "hit_rate": hit_rate(promise, settings.hit_rate),
        "decision_curve": decision_curve(worth, promise, settings.hit_rate),
        "list_cut": list_cut(worth, listed),
    }
