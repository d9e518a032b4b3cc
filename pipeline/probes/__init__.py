"""Probes: each physical quantity that a home's data tell of its CTs, as one estimate with an error, said once.

In: table site_signal (a home a row). Out: `PROBES`, the catalogue; `measured.measure` gives every quantity with its
standard error, `probe_table` the table `probe`. Nothing here knows of faults or weights: what a quantity is, what it is
at a right install and which way a fault moves it. Open `probe.py`, then any probe.
"""

from pipeline.probes import (
    daylight,
    floors,
    leaks,
    meter,
    mirror,
    nights,
    pairs,
    phase,
    production,
    register,
    sag,
    sun,
    zeros,
)
from pipeline.probes.probe import Probe, Quantity

PROBES: tuple[Probe, ...] = (
    sun.PROBE, phase.PROBE, nights.PROBE, daylight.PROBE, production.PROBE, zeros.PROBE, floors.PROBE,
    leaks.PROBE, mirror.PROBE, pairs.PROBE, sag.PROBE, meter.PROBE, register.PROBE,
)  # fmt: skip
NAMES: tuple[str, ...] = tuple(probe.name for probe in PROBES)

__all__ = ["NAMES", "PROBES", "Probe", "Quantity"]
