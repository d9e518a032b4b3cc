"""The tables behind the page on the list: homes with prices, and visits of two months, the second of which drifted."""

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
            "kwh_so_far": 30 * kwh, "energy_from": "inverse" if CATALOGUE[fault].inverse else "bound",
        }
        for site, fault, likelihood, verdict, kwh, drive in HOMES
    ]  # fmt: skip
    priced = terms(pl.DataFrame(rows, schema_overrides={"drive_min": pl.Float64}), settings.ranking)
    return pl.concat([pl.DataFrame(schema=WORTH), priced], how="diagonal_relaxed").select(WORTH.names())


def promise_table() -> pl.DataFrame:
    """Return visits that were promised 80 %: 24 of 30 found a fault in April, 12 of 30 in May; one other cause."""
    rows = []
    for month, hits in ((4, 24), (5, 12)):
        for at in range(30):
            day, is_hit = date(2026, month, 1) + timedelta(days=at), at < hits
            rows.append(
                {
                    "visit_id": f"V{month}-{at}", "site_id": f"v{month}-{at}", "visited_on": day,
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


def list_tables(has_visits: bool = True) -> Mapping[str, pl.DataFrame]:
    """Return the tables of the page on the list."""
    settings = load_settings()
    worth, promise = worth_table(settings), promise_table() if has_visits else pl.DataFrame(schema=PROMISE)
    listed = (
        worth.filter((pl.col("verdict") == "suspect") & (pl.col("priority") > 0))
        .sort("priority", descending=True)
        .rename({"fault": "suspected_fault"})
        .with_columns(fault_likelihood=0.9 * pl.col("likelihood"))
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
