"""CTs around a circuit's conductors, the channels they land on, and what the monitor then reports.

A CT upstream of the solar tie-in encloses load current minus source current, one around the load
conductors encloses load current only. A channel multiplies the sum of its CTs' currents with its
own leg's voltage, so a CT on the wrong leg turns the reading's sign on 120/240.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from pipeline.faults.circuit import Circuit, Complex, Float, PvLeg

Channel = Literal["l1", "l2", "production"]


@dataclass(frozen=True)
class CT:
    """One CT: which conductors it encloses, and how its signal differs from their current.

    `leg` is the leg whose conductors lie in it; `load_a`, `load_b`, `source` and `pv` are the shares
    of that leg's bundles, of the source current (1 upstream of the tie-in, 0 at the loads) and of the
    inverter's own conductor (2 if both conductors are folded through one CT). `gain` multiplies
    the current (a phase lead has a positive angle), `is_turned` means it faces the load, `alive` is
    the share [0, 1] of each step during which it is connected.
    """

    leg: int
    load_a: float = 0.0
    load_b: float = 0.0
    source: float = 0.0
    pv: float = 0.0
    is_turned: bool = False
    gain: complex = 1.0
    alive: Float | None = None

    def current(self, circuit: Circuit) -> Complex:
        """Return the current [A] that the CT's output stands for, shape (n,)."""
        currents = (circuit.load_1a, circuit.load_1b, circuit.source_1, circuit.pv_1)
        if self.leg == 2:
            currents = (circuit.load_2a, circuit.load_2b, circuit.source_2, circuit.pv_2)
        total = np.zeros(circuit.size, dtype=np.complex128)
        for share, amps in zip((self.load_a, self.load_b, -self.source, self.pv), currents, strict=True):
            if share:
                total += share * amps
        total *= -self.gain if self.is_turned else self.gain
        return total if self.alive is None else total * self.alive

    def turned(self) -> CT:
        """Return it facing the other way."""
        return replace(self, is_turned=not self.is_turned)

    def on_other_leg(self) -> CT:
        """Return it around the same conductors of the other leg."""
        return replace(self, leg=3 - self.leg)

    def scaled(self, factor: float) -> CT:
        """Return it around `factor` times the shares of loads and source that it enclosed."""
        return replace(
            self, load_a=self.load_a * factor, load_b=self.load_b * factor, source=self.source * factor
        )


@dataclass(frozen=True)
class Wiring:
    """Which CTs land on which channel of the monitor, and what is configured there.

    `l1`, `l2`, `production` are the CTs in parallel on each channel; the consumption channels
    multiply by their own leg's voltage. The production channel multiplies by the voltage between the
    legs, led by `production_leg` (`production_by` "line"), or by that leg's voltage alone ("leg").
    `ratio` is configured over true CT ratio. `leak_1` is the share of channel 2's current that gets
    into channel 1's lead, `leak_2` the other way. `offset_1`, `offset_2` [W] is added to each channel.
    `declared_sees_pv` is what the register says. `pv_added_back`: the source adds the reported
    production, half a leg; `is_clipped`: it then writes negative values as 0. `severity` says in
    words how bad the fault is (for truth tables).
    """

    service: str
    l1: tuple[CT, ...]
    l2: tuple[CT, ...]
    production: tuple[CT, ...]
    sees_pv: bool
    declared_sees_pv: bool
    production_by: Literal["line", "leg"] = "line"
    production_leg: int = 1
    ratio: float = 1.0
    leak_1: complex = 0.0
    leak_2: complex = 0.0
    offset_1: Float | float = 0.0
    offset_2: Float | float = 0.0
    pv_added_back: bool = False
    is_clipped: bool = False
    severity: str = ""

    @classmethod
    def sound(
        cls,
        service: str = "120/240",
        ct_sees_pv: bool = True,
        cts_per_leg: int = 1,
        *,
        production_by: Literal["line", "leg"] = "line",
        production_leg: int = 1,
        pv_leg: PvLeg = "both",
        pv_added_back: bool = False,
        is_clipped: bool = False,
    ) -> Wiring:
        """Return the right wiring of this position.

        Parameters
        ----------
        service
            "120/240", "120/208" or "single".
        ct_sees_pv
            Whether the CTs are upstream of the solar tie-in.
        cts_per_leg
            Two CTs a leg enclose one load bundle each at the loads, one of two parallel conductors each upstream.
        production_by, production_leg
            The production CT encloses one inverter conductor ("line"), or both, folded so that their currents
            add ("leg").
        pv_leg
            "l1" or "l2" for an inverter from that leg to neutral, whose conductor the production CT then encloses.
        pv_added_back, is_clipped
            What the source does to the readings, as in `Wiring`.
        """
        if pv_leg != "both" or service == "single":
            leg = 2 if pv_leg == "l2" else 1
            production_by, production_leg, production = "leg", leg, CT(leg, pv=1.0)
        else:
            production = CT(production_leg, pv=1.0 if production_by == "line" else 2.0)
        # of bundle a, bundle b and source, what each CT of a leg encloses
        shares = [(1.0, 1.0, 1.0 if ct_sees_pv else 0.0)]
        if cts_per_leg > 1:
            shares = [(0.5, 0.5, 0.5)] * 2 if ct_sees_pv else [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0)]
        l1, l2 = (tuple(CT(leg, *enclosed) for enclosed in shares) for leg in (1, 2))
        return cls(
            service, l1, () if service == "single" else l2, (production,), ct_sees_pv, ct_sees_pv,
            production_by, production_leg, pv_added_back=pv_added_back, is_clipped=is_clipped,
        )  # fmt: skip

    def cts(self, channel: Channel) -> tuple[CT, ...]:
        """Return the CTs that land on this channel."""
        cts: tuple[CT, ...] = getattr(self, channel)
        return cts

    def with_cts(self, channel: Channel, cts: tuple[CT, ...]) -> Wiring:
        """Return the wiring with other CTs on this channel."""
        changed: dict[str, Any] = {channel: cts}
        return replace(self, **changed)

    def with_each_ct(self, change: Callable[[CT], CT], channels: Sequence[Channel] = ("l1", "l2")) -> Wiring:
        """Return the wiring with `change` made to every CT of these channels, in their order."""
        wiring = self
        for channel in channels:
            wiring = wiring.with_cts(channel, tuple(change(ct) for ct in self.cts(channel)))
        return wiring

    def with_offset(self, channel: Channel, offset_w: Float) -> Wiring:
        """Return the wiring with this much added to a consumption channel [W], shape (n,)."""
        if channel == "l1":
            return replace(self, offset_1=self.offset_1 + offset_w)
        return replace(self, offset_2=self.offset_2 + offset_w)

    def crossed_and_turned(self) -> Wiring:
        """Return it with each leg's CTs on the other leg and turned: the powers stay right but for the volts."""
        return self.with_each_ct(lambda ct: ct.on_other_leg().turned())


@dataclass(frozen=True)
class Reading:
    """What the monitor measured, shape (n,), before the source's own bookkeeping.

    `l1_va`, `l2_va` complex power of the consumption channels [W + j var]; `produced_w` [W] of the
    production channel. The properties are the columns as reported: with production added back where
    the source does that (`added_share` of it on each leg), then cut off at 0 where it clips.
    """

    l1_va: Complex
    l2_va: Complex
    produced_w: Float
    added_share: float = 0.0
    is_clipped: bool = False

    def _reported_w(self, va: Complex) -> Float:
        power: Float = va.real + self.added_share * self.produced_w
        return np.maximum(power, 0.0) if self.is_clipped else power

    @property
    def l1_w(self) -> Float:
        """Reported real power of channel L1 [W]."""
        return self._reported_w(self.l1_va)

    @property
    def l2_w(self) -> Float:
        """Reported real power of channel L2 [W]."""
        return self._reported_w(self.l2_va)

    @property
    def l1_var(self) -> Float:
        """Reactive power of channel L1 [var], positive lagging."""
        return self.l1_va.imag

    @property
    def l2_var(self) -> Float:
        """Reactive power of channel L2 [var], positive lagging."""
        return self.l2_va.imag

    @property
    def pv_w(self) -> Float:
        """Reported production [W]."""
        return self.produced_w

    def averaged(self, steps: int) -> Reading:
        """Return the means of every `steps` steps; n must be a multiple of it."""
        if steps == 1:
            return self
        l1_va, l2_va = (va.reshape(-1, steps).mean(axis=1) for va in (self.l1_va, self.l2_va))
        return replace(
            self, l1_va=l1_va, l2_va=l2_va, produced_w=self.produced_w.reshape(-1, steps).mean(axis=1)
        )

    def then(self, later: Reading, start: int) -> Reading:
        """Return this reading up to step `start` and `later` from there on (a fault that starts then)."""
        return replace(
            later,
            l1_va=np.r_[self.l1_va[:start], later.l1_va[start:]],
            l2_va=np.r_[self.l2_va[:start], later.l2_va[start:]],
            produced_w=np.r_[self.produced_w[:start], later.produced_w[start:]],
        )


def _sum(cts: tuple[CT, ...], circuit: Circuit) -> Complex:
    return sum((ct.current(circuit) for ct in cts), np.zeros(circuit.size, dtype=np.complex128))


def measure(circuit: Circuit, wiring: Wiring) -> Reading:
    """Return what a monitor wired like this reports of this circuit, step by step.

    S = ratio * V_leg * conj(sum of the channel's CT currents + leak * the other channel's) + offset;
    production P = Re(V * conj(I)) with V as `Wiring.production_by` says, and no ratio.
    """
    current_1, current_2 = _sum(wiring.l1, circuit), _sum(wiring.l2, circuit)
    leaked_1 = current_1 + wiring.leak_1 * current_2 if wiring.leak_1 else current_1
    leaked_2 = current_2 + wiring.leak_2 * current_1 if wiring.leak_2 else current_2
    lead, other = (circuit.v1, circuit.v2) if wiring.production_leg == 1 else (circuit.v2, circuit.v1)
    volt = lead - other if wiring.production_by == "line" else lead
    adds = wiring.pv_added_back and wiring.declared_sees_pv
    return Reading(
        l1_va=wiring.ratio * circuit.v1 * np.conj(leaked_1) + wiring.offset_1,
        l2_va=wiring.ratio * circuit.v2 * np.conj(leaked_2) + wiring.offset_2,
        produced_w=(volt * np.conj(_sum(wiring.production, circuit))).real,
        added_share=(1.0 if wiring.service == "single" else 0.5) if adds else 0.0,
        is_clipped=wiring.is_clipped,
    )
