"""What a monitor reads of an install described in words, from the engine's phasors, without pipeline.faults.cts.

Each fault is what a technician would say of it: which conductors lie in which CT, which way it faces,
on which terminals its lead lands, what is set. Only what the room drew (how wide a gap, which bundle, when
a splice was open) is read off its wiring.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

import numpy as np
from opendss_circuit import Complex, Float, Service, solve

from pipeline.core.services import lines_of, service_of
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring

STEPS = 96
HOLD = 4  # steps for which the loads stay while the sun moves


@cache
def home(service: str, pv_leg: str = "both") -> Service:
    """Two unequal 120 V loads of their own power factors, a 240 V load and an inverter; a quarter of it night."""
    rng = np.random.default_rng(5)
    held = np.arange(STEPS) // HOLD * HOLD
    one = (300 + rng.gamma(1, 700, STEPS))[held] * (1 + 0.2j)
    two = (200 + rng.gamma(1, 400, STEPS))[held] * (1 + 0.6j)
    line = (rng.random(STEPS) < 0.4)[held] * 3500 * (1 + 0.1j)
    pv = np.where(np.arange(STEPS) < STEPS // 4, 0, rng.uniform(0, 5000, STEPS))
    return solve(service, one, 0 * two if service == "single" else two, line, pv, pv_leg)


def our_circuit(service: str, pv_leg: str = "both") -> Circuit:
    """The same home by our algebra from what its appliances take; the 240 V load is bundle b of each leg."""
    t = home(service, pv_leg)
    count = service_of(service).line_count
    volts, line = np.array([t.v1, t.v2])[:count], np.array([t.line_1, t.line_2])[:count]
    load = np.array([t.load_1, t.load_2])[:count]
    return Circuit.from_bundles(
        volts * np.conj(load - line), volts * np.conj(line), t.made_w, volts=np.abs(volts), service=service,
        pv_lines=lines_of(pv_leg, count),
    )  # fmt: skip


@dataclass(frozen=True)
class Install:
    """A right install, and the leg on which a fault then is."""

    service: str
    sees_pv: bool
    cts: int = 1
    by: str = "line"
    production_leg: int = 1
    pv_leg: str = "both"

    @property
    def wiring(self) -> Wiring:
        """The same as the pipeline's sound wiring."""
        return Wiring.sound(
            self.service,
            self.sees_pv,
            self.cts,
            production_by=self.by,
            production_leg=self.production_leg,
            pv_lines=lines_of(self.pv_leg, service_of(self.service).line_count),
        )

    def clamped(self, leg: int) -> list[Complex]:
        """What the CTs of a leg enclose: parallel conductors share alike, at the loads a CT a bundle."""
        t = home(self.service, self.pv_leg)
        service, load, line = (t.i1, t.load_1, t.line_1) if leg == 1 else (t.i2, t.load_2, t.line_2)
        if self.sees_pv:
            return [service / self.cts] * self.cts
        return [load] if self.cts == 1 else [load - line, line]

    def production(self) -> tuple[Complex, list[Complex]]:
        """The voltage the production channel multiplies by, and what its CT encloses."""
        t = home(self.service, self.pv_leg)
        if self.service == "single" or self.pv_leg != "both":
            return (t.v2, [t.pv_2]) if self.pv_leg == "l2" else (t.v1, [t.pv_1])
        lead, other, own = (t.v1, t.v2, t.pv_1) if self.production_leg == 1 else (t.v2, t.v1, t.pv_2)
        # one conductor and the voltage between the legs, or both conductors folded through and a leg's voltage
        return (lead - other, [own]) if self.by == "line" else (lead, [own, own])


def as_described(fault: str, leg: str, install: Install, drawn: Wiring) -> tuple[Complex, Complex, Float]:
    """Power of channels L1 and L2 [VA] and production [W] that the monitor shows with this fault on this leg."""
    t = home(install.service, install.pv_leg)
    legs = (1, 2) if install.service != "single" else (1,)
    hit = legs if leg == "both" else (1 if leg == "l1" else 2,)
    cts = {at: install.clamped(at) for at in legs}
    volt, made = install.production()
    factor, added = 1.0, {1: np.zeros(STEPS), 2: np.zeros(STEPS)}
    right = {at: sum(cts[at]) for at in legs}
    for at in hit:
        of_room = drawn.cts(f"l{at}")
        if fault == "reversed":  # faces the loads
            cts[at] = [-amps for amps in cts[at]]
        elif fault == "legs_crossed":  # around the other leg's conductors
            cts[at] = install.clamped(3 - at)
        elif fault == "same_leg":  # the other leg's conductors lie in both
            way = -1 if "turned" in drawn.severity else 1
            cts[at] = [way * amps for amps in install.clamped(3 - at)]
        elif fault == "dead":  # an open input rustles
            cts[at], added[at] = [], np.asarray(drawn.offset_w(f"l{at}"))
        elif fault == "partial":
            cts[at] = _with_some_outside(install, at, drawn)
        elif fault == "opposed_pair":
            assert [ct.is_turned for ct in of_room].count(True) == 1
            # parallel conductors never share quite alike
            shares = [ct.source if install.sees_pv else 1 / install.cts for ct in of_room]
            cts[at] = [
                (-1 if ct.is_turned else 1) * amps * share * install.cts
                for ct, amps, share in zip(of_room, cts[at], shares, strict=True)
            ]
        elif fault == "loose_core":  # the gap makes the first CT's output smaller and early
            gain, lead = np.abs(of_room[0].gain), np.angle(of_room[0].gain)
            assert gain < 1
            assert lead > 0
            cts[at][0] = cts[at][0] * gain * (np.cos(lead) + 1j * np.sin(lead))
        elif fault == "intermittent":  # silent for the part of each step in which the splice is open
            assert 0 <= np.min(of_room[0].alive) < 1
            cts[at] = [amps * of_room[0].alive for amps in cts[at]]
        elif fault == "pickup_noise":
            leak, wander = drawn.leaks.get((f"l{at}", f"l{3 - at}"), 0.0), drawn.offset_w(f"l{at}")
            assert (0 < abs(leak) < 0.5) == (len(legs) == 2)
            cts[at] = [right[at], leak * right.get(3 - at, np.zeros(STEPS))]
            added[at] = np.asarray(wander)
        elif fault == "swapped_with_pv":  # each lead on the other's terminals
            cts[at], made = made, cts[at]
        elif fault == "wrong_ratio":
            configured, is_ = map(float, re.findall(r"(\d+) A", drawn.severity))
            factor = configured / is_
        else:
            assert fault == "wrong_scope"  # nothing is wrong on site
    s1, s2 = (
        factor * v * np.conj(sum(cts.get(at, []), np.zeros(STEPS))) + added[at]
        for at, v in ((1, t.v1), (2, t.v2))
    )
    return s1, s2, (volt * np.conj(sum(made, np.zeros(STEPS)))).real


def _with_some_outside(install: Install, at: int, drawn: Wiring) -> list[Complex]:
    """One of two CTs is missing, a bundle runs past a lone CT, or a part of its conductors does."""
    (kept,) = drawn.cts(f"l{at}")
    own, line = Install(install.service, False, 2, pv_leg=install.pv_leg).clamped(at)
    if install.cts == 2 and install.sees_pv:
        return install.clamped(at)[:1]
    if kept.load_b == 0:
        return [own]
    if kept.load_a == 0:
        return [line]
    assert 0 < kept.load_a < 1
    return [install.clamped(at)[0] * kept.load_a]
