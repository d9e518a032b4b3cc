"""A home whose loads stand still at power factor 1, so that a slope on production is exactly the CT's own."""

from __future__ import annotations

import numpy as np

from pipeline.core.services import service_of
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.reading import Reading

SERVICES = ("120/240", "120/208", "single")
SOURCES = ("upstream", "downstream", "added back", "clipped")
N = 48
# The first half is night, then a ramp up to noon
PV_W = np.where(np.arange(N) < N // 2, 0.0, np.linspace(500, 6000, N))
LOAD_W = {1: 900.0, 2: 400.0}


def home(service: str) -> Circuit:
    loads_w = np.array([np.full(N, watts) for watts in LOAD_W.values()])
    return Circuit.from_powers(loads_w[: service_of(service).line_count], PV_W, service=service)


def sound(service: str, source: str, cts: int = 1) -> Wiring:
    is_added = source in ("added back", "clipped")
    return Wiring.sound(
        service, source != "downstream", cts, pv_added_back=is_added, is_clipped=source == "clipped"
    )


def legs_of(reading: Reading, service: str) -> tuple[np.ndarray, ...]:
    return (reading.l1_w,) if service == "single" else (reading.l1_w, reading.l2_w)


def slope(power_w: np.ndarray) -> float:
    return float(np.polyfit(PV_W, power_w, 1)[0])
