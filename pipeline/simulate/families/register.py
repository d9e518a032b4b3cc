"""What the register and the truth say of a built home: the contract's columns, with the gaps of life."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl

from pipeline.simulate import lake
from pipeline.simulate.crossed_wiring import wiring_code
from pipeline.simulate.families.build import BuiltHome
from pipeline.simulate.families.spec import Area, UnlikeSpec
from pipeline.simulate.families.witness import WITNESS_COLUMNS
from pipeline.simulate.service_draws import draw_ct_amps, is_dealt_anew
from pipeline.simulate.spec import seeded_rng

TRUTH_COLUMNS: dict[str, Any] = {
    **lake.TRUTH_COLUMNS,
    **dict.fromkeys(WITNESS_COLUMNS, pl.Float64),
    **dict.fromkeys(("has_volts", "has_meter", "has_var", "has_battery_w"), pl.Boolean),
}  # fmt: skip
CREWS = [(f"P{number + 1:02d}", f"Proof crew {number + 1}") for number in range(14)]
# How often a register leaves a field empty.
BLANK = {
    "ct_location": 0.05, "ct_amps": 0.08, "cts_per_leg": 0.05, "lead_extended": 0.12, "has_ev": 0.15,
    "crew_id": 0.02, "commissioned_on": 0.03, "service_amps": 0.05, "pv_kw": 0.02, "timezone": 0.02,
}  # fmt: skip
UPSTREAM_PLACES, LOAD_PLACES = ("service_entrance", "bus_bar", "feeder"), ("load_conductors", "feeder")


def site_row(spec: UnlikeSpec, built: BuiltHome, area: Area) -> dict[str, Any]:
    """Return the home's row of sites.csv."""
    home = built.home
    rng = seeded_rng(spec.seed, 8, home.number)
    start = spec.start.date()
    age = int(rng.integers(3, 1200))
    since = start + timedelta(days=built.first_day) if built.first_day else start - timedelta(days=age)
    declared = built.wiring.declared_sees_pv
    places, shares = (UPSTREAM_PLACES, (0.5, 0.35, 0.15)) if declared else (LOAD_PLACES, (0.8, 0.2))
    place = rng.choice(places, p=shares)
    row: dict[str, Any] = {
        "site_id": home.site_id, "timezone": area.timezone,
        "latitude": round(home.roof.latitude if home.roof else area.latitude, 2),
        "longitude": round(home.roof.longitude if home.roof else area.longitude, 2),
        "area": area.name, "service": home.service, "service_amps": home.service_amps,
        "pv_kw": home.roof.ac_kw if home.roof else 0.0, "ct_sees_pv": declared,
        "pv_added_back": home.added_back, "ct_location": str(place),
        "ct_amps": int(rng.choice([100, 200, 400], p=[0.3, 0.6, 0.1])), "cts_per_leg": home.cts_per_leg,
        "lead_extended": bool(rng.random() < 0.2), "has_battery": home.declares_battery, "has_ev": home.has_ev,
        "crew_id": CREWS[int(rng.integers(len(CREWS)))][0], "commissioned_on": since, "pv_on": home.pv_on,
    }  # fmt: skip
    if is_dealt_anew(home.service):
        row["ct_amps"] = draw_ct_amps(home.service, seeded_rng(spec.seed, 10, home.number))
    for name, share in BLANK.items():
        is_blank = rng.random() < share
        if is_blank and not (name == "commissioned_on" and built.first_day):
            row[name] = None
    return row


def truth_row(spec: UnlikeSpec, built: BuiltHome) -> dict[str, Any]:
    """Return the home's row of truth.csv, its witness columns included."""
    home = built.home
    onset = (spec.start + timedelta(minutes=home.onset_min)).date() if home.onset_min else None
    return {
        "site_id": home.site_id, "fault": home.fault, "leg": home.leg or None, "onset_on": onset,
        "severity": built.wiring.severity or None, "hard_negative": home.hard or None,
        "sees_pv_true": home.sees_pv, **built.witness,
        "wiring": wiring_code(built.wiring) if built.wiring.line_count == 3 else None,
        "has_volts": home.has_volts, "has_meter": home.has_meter, "has_var": home.has_var,
        "has_battery_w": home.has_battery_w,
    }  # fmt: skip
