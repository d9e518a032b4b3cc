"""A night for the report's tests: seeded homes whose readings follow the circuit's algebra.

Leg = load - pv / 2 for a CT upstream of the tie-in; a fault then acts on the clean legs. Slopes, night
levels and shares are computed from those readings, so pictures and captions agree as on a real night.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
from example_crews import HOSTILE, crew_tables
from example_list import list_tables
from example_nights import NIGHTS, PLANS
from example_normal import BEFORE, NORMAL
from example_safety import example_calls, voltage_days_of
from example_visits import doubtful_visits, standings, story
from example_words import FAULTS, cards, weights

from pipeline.core.alarm import note, table
from pipeline.report import NightCounts, ReportInput
from pipeline.worklist.safety_first import listed_with_calls, with_safety_verdict

AS_OF = date(2026, 6, 14)
DAYS = 30
STEPS = 96  # 15-minute intervals a day
CONTRADICTION = "L1 tracks PV with the wrong sign: +0.50 W per W of PV, right is −0.50 (L2 −0.49)"
TRAVERSAL = "../../Ünïcode home\\..\\'1'"


@dataclass(frozen=True)
class Case:
    """One home of the example."""

    site_id: str
    fault: str
    leg: str | None
    onset_day: int | None = None  # days after the window's first; None: from the first day
    likelihood: float = 0.94
    verdict: str = "suspect"
    has_pv: bool = True
    service: str = "120/240"
    timezone: str | None = "America/Denver"
    days: int = DAYS


CASES = (
    Case("MH-20417", "reversed", "l1", onset_day=17),
    Case("MH-20980", "legs_crossed", "both", likelihood=0.91),
    Case("MH-31122", "dead", "l2", likelihood=0.995),
    Case("MH-31150", "wrong_ratio", "both", likelihood=0.88),
    Case(HOSTILE, "reversed", "l2", likelihood=0.81),
    Case(TRAVERSAL, "partial", "l1", likelihood=0.62, timezone="Not/A_Zone"),
    Case("single-9", "dead", "l1", likelihood=0.58, has_pv=False, service="single", timezone=None),
    Case("new-3", "reversed", "l1", likelihood=0.35, verdict="unproven", days=2),
)


def readings(case: Case, rng: np.random.Generator) -> pl.DataFrame:
    """Return 15-minute rows of one home: time (UTC), day, l1_w, l2_w, pv_w, after the fault."""
    days = case.days
    n = days * STEPS
    hour_utc = np.arange(n) % STEPS / 4
    hour = (hour_utc - 6) % 24
    clear = np.clip(np.sin((hour - 5.5) / 14.5 * np.pi), 0, None) * ((hour > 5.5) & (hour < 20))
    cloud = np.clip(np.repeat(rng.beta(5, 1.5, days), STEPS) + 0.18 * rng.standard_normal(n), 0.05, 1)
    pv = 6200 * clear**1.2 * cloud * case.has_pv
    shape = 1 + 1.2 * np.exp(-((hour - 19) ** 2) / 6) + 0.6 * np.exp(-((hour - 7.5) ** 2) / 3)
    both = 2200 * (rng.random(n) < 0.04 * shape)
    legs = [
        rng.gamma(2.2, 75, n) * shape + 90 + 900 * (rng.random(n) < 0.05 * shape) + both for _ in range(2)
    ]
    true = [leg - pv / 2 for leg in legs]
    faulty = inject(case, true, rng)
    start = n if case.onset_day is None else case.onset_day * STEPS
    seen = [np.where(np.arange(n) < start, t, f) for t, f in zip(true, faulty, strict=True)]
    if case.onset_day is None:
        seen = faulty
    first = datetime(AS_OF.year, AS_OF.month, AS_OF.day) - timedelta(days=days - 1)
    time = [first + timedelta(minutes=15 * i) for i in range(n)]
    none = pl.Series([None] * n, dtype=pl.Float64)
    return pl.DataFrame(
        {
            "time": time,
            "l1_w": seen[0],
            "l2_w": none if case.service == "single" else pl.Series(seen[1]),
            "pv_w": pl.Series(pv) if case.has_pv else none,
            "is_night": (hour < 5) | (hour > 21),
        }
    ).with_columns(day=pl.col("time").dt.date())


def inject(case: Case, true: list[np.ndarray], rng: np.random.Generator) -> list[np.ndarray]:
    """Return both legs as the fault makes them read."""
    noise = rng.standard_normal(len(true[0]))
    touched = {"l1": (0,), "l2": (1,), "both": (0, 1)}.get(case.leg or "", ())
    effect = {
        "reversed": lambda w: -w,
        "dead": lambda w: noise,
        "partial": lambda w: 0.5 * w,
        "wrong_ratio": lambda w: 2 * w,
    }
    if case.fault == "legs_crossed":
        return [-true[1], -true[0]]
    return [effect[case.fault](leg) if i in touched else leg for i, leg in enumerate(true)]


def slope(leg: pl.Series, pv: pl.Series) -> tuple[float | None, float | None]:
    """Return the slope of leg changes on PV changes with its standard error, None where PV is still."""
    pairs = pl.DataFrame({"y": leg.diff(), "x": pv.diff()}).drop_nulls().filter(pl.col("x").abs() > 1)
    if pairs.height < 8:
        return None, None
    x, y = pairs["x"].to_numpy(), pairs["y"].to_numpy()
    x, y = x - x.mean(), y - y.mean()
    value = float(x @ y / (x @ x))
    rest = y - value * x
    return value, float(np.sqrt(rest @ rest / (len(x) - 2) / (x @ x)))


def summary(rows: pl.DataFrame) -> dict[str, Any]:
    """Return slopes, night levels and shares of some rows of one home."""
    night = rows.filter("is_night")
    found: dict[str, Any] = {}
    for leg in ("l1", "l2"):
        watts = night[f"{leg}_w"]
        found[f"slope_{leg}"], found[f"slope_{leg}_se"] = slope(rows[f"{leg}_w"], rows["pv_w"])
        found[f"night_{leg}_w"] = watts.median()
        found[f"night_{leg}_negative_share"] = (watts < 0).mean()
        found[f"zero_{leg}_share"] = (rows[f"{leg}_w"].abs() < 5).mean()
    return found


def more_cases(count: int) -> tuple[Case, ...]:
    """Return `count` further faulty homes, for a list of a real night's length."""
    kinds = ("reversed", "dead", "partial", "wrong_ratio", "legs_crossed")
    legs = ("l2", "l2", "l2", "both", "both")
    return tuple(
        Case(f"MH-{40000 + 37 * i}", kinds[i % 5], legs[i % 5], likelihood=round(0.9 - 0.6 * i / count, 3))
        for i in range(count)
    )


def example_night(more: int = 0, cases: tuple[Case, ...] = CASES) -> ReportInput:
    """Return the report's input for `cases` and `more` further homes; same arguments, same night."""
    rng = np.random.default_rng(20260614)
    every = sorted((*cases, *more_cases(more)), key=lambda case: -case.likelihood)
    faults = cards()
    hours, days, scores, listed, weighed, sites = [], [], [], [], [], []
    for rank, case in enumerate(every, start=1):
        rows = readings(case, rng)
        onset = None if case.onset_day is None else AS_OF - timedelta(days=DAYS - 1 - case.onset_day)
        now = summary(rows if onset is None else rows.filter(pl.col("day") >= onset))
        area, crew = ("North", "South", "Harbour & Hills")[rank % 3], f"crew-{rank % 4}"
        hour = rows.group_by(hour_start=pl.col("time").dt.truncate("1h"), maintain_order=True)
        hours.append(
            hour.agg(pl.col("l1_w", "l2_w", "pv_w").mean()).insert_column(
                0, pl.lit(case.site_id).alias("site_id")
            )
        )
        for (day,), part in rows.partition_by("day", as_dict=True).items():
            days.append({"site_id": case.site_id, "day": day, **summary(part), "coverage_share": 1.0})
        own = 0.9 * case.likelihood
        spread = dict.fromkeys(FAULTS, (case.likelihood - own) / (len(FAULTS) - 1))
        spread |= {case.fault: own, "sound": 1 - case.likelihood}
        record = case.verdict == "unproven"
        scores.append(
            {
                "site_id": case.site_id, "area": area, "crew_id": crew, "likelihood": case.likelihood,
                "verdict": case.verdict, "suspected_fault": case.fault, "leg": case.leg,
                "likely_fault": case.fault, "likely_leg": case.leg, "nights": case.days, "fault_likelihoods": spread,
                "contradiction": CONTRADICTION if record or case.fault == "reversed" else None,
                "contradiction_probe": "sun" if record or case.fault == "reversed" else None,
                "record_cause": "clock_wrong", "record_likelihood": 0.41 if record else 0.002,
                "onset_on": onset, "from_on": onset, "evidence": "", **now,
                "onset_evidence": "response of L1 to PV −0.50 W per W before, +0.50 W per W since (30 standard errors)"
                if onset
                else None,
                "unproven_why": "evidence for a fault and against it" if case.verdict == "unproven" else None,
                "unproven_need": "record" if case.verdict == "unproven" else None,
                "slope_expected": -0.5 if case.has_pv else None,
                "is_clock_suspect": case.verdict == "unproven",
                "clock_offset_h": 6.0 if case.verdict == "unproven" else None,
                "is_neutral_suspect": case.site_id == "MH-20980", "service": case.service,
                "has_pv": case.has_pv,
            }
        )  # fmt: skip
        night, share = now["night_l1_w"] or 0, now["night_l1_negative_share"] or 0
        evidence = f"overnight baseload: L1 {night:.0f} W, below zero in {share:.0%} of night intervals"
        is_office = case.fault in ("wrong_ratio", "wrong_scope")
        listed.append(
            {
                "rank": rank, "site_id": case.site_id, "area": area, "likelihood": case.likelihood,
                "fault_likelihood": own, "suspected_fault": case.fault, "leg": case.leg, "since": onset,
                "evidence": evidence,
                "fix_by": "office" if is_office else "visit", "bring": "insulated screwdriver, 1.5 kW heater",
                "minutes_on_site": 15 if is_office else 45,
                "kwh_per_day_wrong": 11.4 * case.likelihood, "priority": 3.1 * case.likelihood,
                "kwh_so_far": 228.0, "kwh_so_far_low": 190.0, "kwh_so_far_high": 260.0, "kwh_read_so_far": 900.0,
                "days_so_far": 20, "so_far_from": AS_OF - timedelta(days=19), "so_far_to": AS_OF,
                "nights_listed": 1 + rank % 9,
                "standing": "listed", "verdict": case.verdict, "crew_id": crew,
                "desk_change": None, "desk_proof": None, "is_above_cut": True,
                "value_gain": 240.0, "value_cost": 80.0, "value_regret": 9.0, "break_even": 0.31,
                "also_possible": "both CTs reversed" if case.fault == "legs_crossed" else None,
            }
        )  # fmt: skip
        weighed += weights(case.site_id, case.likelihood, case.fault)
        sites.append(
            {
                "site_id": case.site_id, "timezone": case.timezone, "area": area, "service": case.service,
                "service_amps": 200.0, "pv_kw": 6.2 if case.has_pv else None, "ct_sees_pv": True,
                "pv_added_back": False,
                "ct_location": "load_conductors", "ct_amps": 200.0, "cts_per_leg": 2, "lead_extended": False,
                "has_battery": None, "has_ev": None, "crew_id": crew,
                "commissioned_on": AS_OF - timedelta(days=case.days) if case.days < DAYS else date(2026, 3, 2),
                "latitude": None if case.service == "single" else 40 + 0.02 * rank,
                "longitude": -105 - 0.03 * (rank % 3),
            }
        )  # fmt: skip
    calls = example_calls(CASES[1].site_id, TRAVERSAL)
    score = pl.DataFrame(scores, infer_schema_length=None).with_columns(ct_verdict="verdict")
    return ReportInput(
        as_of=AS_OF,
        window_days=DAYS,
        model_id="example-1",
        counts=NightCounts(96_310, 96_000, 210, 100, 1000, 7),
        site_scores=with_safety_verdict(score, calls),
        revisit_list=listed_with_calls(pl.DataFrame(listed, infer_schema_length=None), calls),
        site_weight=pl.DataFrame(weighed, infer_schema_length=None),
        site_daily=pl.DataFrame(days, infer_schema_length=None),
        site_hour=pl.concat(hours),
        crews=crew_tables(),
        rejects=pl.DataFrame({"reason": ["leg_out_of_range", "future_row"], "count": [88, 12]}),
        sites=pl.DataFrame(sites, infer_schema_length=None),
        standing=standings(),
        home_story=story(),
        visit_doubt=doubtful_visits(),
        night_count=NIGHTS,
        plans=PLANS,
        safety_call=calls,
        safety_day=voltage_days_of(CASES[1].site_id),
        alarm=table([note("changed", "since the night of 2026-06-13: 3 newly listed", "change.parquet")]),
        list_tables=list_tables(),
        fleet_normal=NORMAL,
        fleet_normal_before=BEFORE,
        base_rate=0.093,
        faults=faults,
        cautions=("De-energize, lock out, test before touch: moving a CT is not testing.",
                  "PV and battery feed back: open and lock them too.",
                  "Never open the secondary of a current-output CT under load: short it first."),
    )  # fmt: skip
