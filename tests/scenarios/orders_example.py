"""A night for the work orders' tests: any fault of the catalogue on any home, as the published tables have it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
from example_safety import call, safety_calls

from pipeline.core.contract import PRIVATE, Site, Visit
from pipeline.core.services import LINES, service_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.workorder.tables import Home, NightTables

AS_OF = date(2026, 6, 14)
DAYS = 10
NOTE = "gate code 4711, ask for Ms Example"
CREW = "crew-of-secrets"
ADDRESS = {
    "address": "12 Example Lane",
    "customer": "Ms Example",
    "access_note": "gate code 4711, dog in the yard",
}
CONTACT = pl.Schema(dict.fromkeys(("site_id", *PRIVATE["sites"]), pl.String))
HOSTILE = "../../<script>alert('x')</script>\"&\u2028"
LOOKALIKE = "../../\u0430/\u202eH1"  # a Cyrillic letter and a direction mark


@dataclass(frozen=True)
class Wish:
    """One home of the example: what is suspected there, and what of register, scores or signals differs."""

    fault: str
    leg: str
    site_id: str = "H1"
    service: str = "120/240"
    register: dict[str, Any] = field(default_factory=dict)
    score: dict[str, Any] = field(default_factory=dict)
    signal: dict[str, Any] = field(default_factory=dict)
    standing: dict[str, Any] = field(default_factory=dict)
    has_hours: bool = True
    has_call: bool = False
    contact: dict[str, str] = field(default_factory=dict)
    visits: tuple[dict[str, Any], ...] = ()
    wirings: tuple[tuple[str, float], ...] = ()

    @property
    def lines(self) -> tuple[str, ...]:
        """Its line conductors."""
        return service_of(self.service).lines


def night(*wishes: Wish) -> NightTables:
    """Return the night's tables of these homes, listed in this order."""
    homes = [_home(wish, rank) for rank, wish in enumerate(wishes, start=1)]
    frames = {
        name: pl.DataFrame([home[name] for home in homes], infer_schema_length=None)
        for name in ("revisit_list", "site_scores", "site_signal", "standing", "sites")
    }
    days = pl.concat([home["site_daily"] for home in homes])
    hours = pl.concat([home["site_hour"] for home in homes])
    calls = safety_calls(*(call(wish.site_id) for wish in wishes if wish.has_call))
    past = [{"site_id": wish.site_id, **row} for wish in wishes for row in wish.visits]
    visits = pl.DataFrame(past, schema=pl.Schema(Visit))
    contacts = pl.DataFrame([{"site_id": wish.site_id, **wish.contact} for wish in wishes], schema=CONTACT)
    frames |= {"site_daily": days, "site_hour": hours, "safety_call": calls}
    known = [(wish.site_id, code, share, "") for wish in wishes for code, share in wish.wirings]
    wirings = (
        pl.DataFrame(known, schema=["site_id", "wiring", "likelihood", "look_at"], orient="row")
        if known
        else None
    )
    return NightTables(
        AS_OF, frames | {"visits": visits.drop(PRIVATE["visits"])},
        contacts, visits.select("visit_id", *PRIVATE["visits"]), wirings,
    )  # fmt: skip


def home(wish: Wish) -> Home:
    """Return the one home of such a night."""
    return next(night(wish).homes([wish.site_id]))


def _home(wish: Wish, rank: int) -> dict[str, Any]:
    fault = CATALOGUE[wish.fault]
    slope = -1 / len(wish.lines)
    slopes: dict[str, float | None] = dict.fromkeys(("slope_l2", "slope_l2_se"))
    for line in wish.lines:
        slopes |= {f"slope_{line}": slope, f"slope_{line}_se": 0.01}
    register = dict.fromkeys(Site.columns()) | {
        "site_id": wish.site_id, "timezone": "America/Denver", "latitude": 39.76543, "longitude": -104.98765,
        "area": "North", "service": wish.service, "service_amps": 200.0, "pv_kw": 6.0, "ct_sees_pv": True,
        "pv_added_back": False, "ct_location": "bus_bar", "ct_amps": 200.0, "cts_per_leg": 2.0,
        "lead_extended": True, "has_battery": False, "has_ev": True, "crew_id": CREW,
        "commissioned_on": date(2026, 3, 2),
    } | wish.register  # fmt: skip
    levels = {"night_l2_w": None} | {
        f"night_{line}_w": level for line, level in zip(wish.lines, (180.0, 210.0, 195.0), strict=False)
    }
    rest = 0.06 / (len(CATALOGUE) - 1)
    shares = dict.fromkeys(CATALOGUE, rest) | {wish.fault: 0.93, "sound": 0.01}
    score = {
        "site_id": wish.site_id, "area": "North", "crew_id": CREW, "service": wish.service,
        "fault_likelihoods": shares, "verdict": "suspect", "unproven_why": None, "from_on": None,
        "is_neutral_suspect": False, "is_clock_suspect": False, "clock_offset_h": None, "slope_expected": slope,
        "zero_l1_share": 0.0, "zero_l2_share": 0.02, "zero_l3_share": 0.01, "line_count": len(wish.lines),
    } | slopes | levels | wish.score  # fmt: skip
    signal = {
        "site_id": wish.site_id, "service": wish.service, "slope_days": 25, "nights": 28, "slope_expected": slope,
        "expected_gain": 1.0, "gain_sum": 0.5, "gain_sum_se": 0.01, "meter_gain_l1": None, "meter_gain_l2": None,
        "meter_gain_se": None, "meter_share": 0.0, "floor_l1_drop_w": 9.0, "floor_l2_drop_w": 80.0,
        "floor_l3_drop_w": 30.0, "line_count": len(wish.lines),
    } | slopes | levels | wish.signal  # fmt: skip
    listed = {
        "rank": rank, "site_id": wish.site_id, "area": "North", "likelihood": 0.94,
        "suspected_fault": wish.fault, "leg": wish.leg, "since": AS_OF - timedelta(days=4),
        "evidence": "negative in 99% of night intervals", "fix_by": fault.remedy.fix_by,
        "minutes_on_site": fault.remedy.minutes, "crew_id": CREW,
    }  # fmt: skip
    standing = {
        "site_id": wish.site_id, "last_visit_on": None, "found": None, "found_leg": None, "outcome": None,
        "proof_told": None, "cause": f"note: {NOTE}", "is_listed": True,
    } | wish.standing  # fmt: skip
    return {
        "revisit_list": listed, "site_scores": score, "site_signal": signal, "standing": standing,
        "sites": register, "site_daily": _days(wish), "site_hour": _hours(wish),
    }  # fmt: skip


def _days(wish: Wish) -> pl.DataFrame:
    rng = np.random.default_rng(4)
    days = [AS_OF - timedelta(days=DAYS - 1 - at) for at in range(DAYS)]
    frame: dict[str, Any] = {"site_id": [wish.site_id] * DAYS, "day": days}
    for line, level, zeros in zip(LINES, (180.0, 200.0, 195.0), (0.0, 0.02, 0.01), strict=True):
        has_line = line in wish.lines
        frame |= {
            f"night_{line}_w": list(rng.normal(level, 9.0, DAYS)) if has_line else [None] * DAYS,
            f"slope_{line}": list(rng.normal(-1 / len(wish.lines), 0.02, DAYS)), f"slope_{line}_se": [0.04] * DAYS,
            f"zero_{line}_share": [zeros] * DAYS,
        }  # fmt: skip
    absent = [name for name in frame if "l3" in name and len(wish.lines) < 3]
    return pl.DataFrame(frame, schema_overrides={"night_l2_w": pl.Float64}).drop(absent)


def _hours(wish: Wish) -> pl.DataFrame:
    rng = np.random.default_rng(5)
    count = DAYS * 24 if wish.has_hours else 0
    starts = [datetime(2026, 6, 5) + timedelta(hours=at) for at in range(count)]
    pv = np.clip(np.sin((np.arange(count) % 24 - 12) / 12 * np.pi), 0, None) * 4000
    frame: dict[str, Any] = {"site_id": [wish.site_id] * count, "hour_start": starts, "pv_w": pv}
    kinds = {"site_id": pl.String, "hour_start": pl.Datetime("us"), "pv_w": pl.Float64}
    for line in LINES[: max(2, len(wish.lines))]:
        level = np.abs(rng.normal(400.0, 200.0, count)) - pv / max(2, len(wish.lines))
        frame[f"{line}_w"] = level if line in wish.lines else [None] * count
        kinds[f"{line}_w"] = pl.Float64()
    return pl.DataFrame(frame, schema_overrides=kinds)
