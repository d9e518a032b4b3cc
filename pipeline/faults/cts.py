"""CTs around a circuit's conductors, the channels they land on, and what the monitor then reports.

A CT upstream of the solar tie-in encloses load current minus source current, one around the load
conductors encloses load current only. A channel multiplies the sum of its CTs' currents with its
own line's voltage, so a CT on another line turns the reading: by 180 degrees on 120/240, by 120 on three phases.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from pipeline.core.services import LINES, service_of
from pipeline.faults.circuit import Circuit, Complex, Float, numbers_of
from pipeline.faults.reading import Reading

PRODUCTION = "production"


@dataclass(frozen=True)
class CT:
    """One CT: which conductors it encloses, and how its signal differs from their current.

    `line` (1 to 3) is the line whose conductors lie in it; `load_a`, `load_b`, `source` and `pv` are the shares
    of that line's bundles, of the source current (1 upstream of the tie-in, 0 at the loads) and of the
    inverter's own conductor (2 if both conductors are folded through one CT). `gain` multiplies
    the current (a phase lead has a positive angle), `is_turned` means it faces the load, `alive` is
    the share [0, 1] of each step during which it is connected.
    """

    line: int
    load_a: float = 0.0
    load_b: float = 0.0
    source: float = 0.0
    pv: float = 0.0
    is_turned: bool = False
    gain: complex = 1.0
    alive: Float | None = None

    def current(self, circuit: Circuit) -> Complex:
        """Return the current [A] that the CT's output stands for, shape (n,)."""
        currents = (circuit.load_a, circuit.load_b, circuit.source, circuit.pv)
        total = np.zeros(circuit.size, dtype=np.complex128)
        for share, amps in zip((self.load_a, self.load_b, -self.source, self.pv), currents, strict=True):
            if share:
                total += share * amps[self.line - 1]
        total *= -self.gain if self.is_turned else self.gain
        return total if self.alive is None else total * self.alive

    def turned(self) -> CT:
        """Return it facing the other way."""
        return replace(self, is_turned=not self.is_turned)

    def on_line(self, line: int) -> CT:
        """Return it around the same conductors of this line (1 to 3)."""
        return replace(self, line=line)

    def scaled(self, factor: float) -> CT:
        """Return it around `factor` times the shares of loads and source that it enclosed."""
        return replace(
            self, load_a=self.load_a * factor, load_b=self.load_b * factor, source=self.source * factor
        )


@dataclass(frozen=True)
class Wiring:
    """Which CTs land on which channel of the monitor, and what is configured there.

    `channels` are the CTs in parallel on each consumption channel, one channel a line, which multiplies by its own
    line's voltage; `production` those on the production channel. That one multiplies by the voltage between the line
    `production_leg` and the next one that the inverter feeds (`production_by` "line"), or by the voltage of that line
    alone ("leg"), and by `production_scale`: on three lines a CT on one stands for all. `pv_lines` are the lines
    that the inverter feeds, empty for all.
    `ratio` is configured over true CT ratio. `leaks` is the share of a channel's current that gets into another
    channel's lead, by (into, from); `offsets` [W] is added to each channel. `is_summed`: the monitor exports one
    reading, the sum of its channels. `declared_sees_pv` is what the register says. `pv_added_back`: the source adds
    the reported production in equal parts; `is_clipped`: it then writes negative values as 0. `severity` says in
    words how bad the fault is (for truth tables).
    """

    service: str
    channels: tuple[tuple[CT, ...], ...]
    production: tuple[CT, ...]
    sees_pv: bool
    declared_sees_pv: bool
    production_by: Literal["line", "leg"] = "line"
    production_leg: int = 1
    production_scale: float = 1.0
    pv_lines: tuple[str, ...] = ()
    ratio: float = 1.0
    leaks: Mapping[tuple[str, str], complex] = field(default_factory=dict)
    offsets: Mapping[str, Float | float] = field(default_factory=dict)
    is_summed: bool = False
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
        pv_lines: Sequence[str] | None = None,
        is_summed: bool = False,
        pv_added_back: bool = False,
        is_clipped: bool = False,
    ) -> Wiring:
        """Return the right wiring of this position.

        Parameters
        ----------
        service
            A name of pipeline.core.services.
        ct_sees_pv
            Whether the CTs are upstream of the solar tie-in.
        cts_per_leg
            Two CTs a leg enclose one load bundle each at the loads, one of two parallel conductors each upstream.
        production_by, production_leg
            The production CT encloses one inverter conductor ("line"), or both, folded so that their currents
            add ("leg"). Of three lines it encloses that one's conductor, multiplies by its voltage and is scaled up.
        pv_lines
            The lines that the inverter feeds, as in `Circuit.from_powers`; the production CT encloses the conductor of
            a lone one.
        is_summed, pv_added_back, is_clipped
            What the monitor or the source does to the readings, as in `Wiring`.
        """
        fed = tuple(row + 1 for row in numbers_of(pv_lines, service))
        lead = production_leg if production_leg in fed else fed[0]
        if len(fed) != 2:
            production_by = "leg"
        # Two conductors can be folded through a CT so that their currents add, three can't.
        folded = 2.0 if len(fed) == 2 and production_by == "leg" else 1.0
        scale = 3.0 if len(fed) == 3 else 1.0
        # of bundle a, bundle b and source, what each CT of a leg encloses
        shares = [(1.0, 1.0, 1.0 if ct_sees_pv else 0.0)]
        if cts_per_leg > 1:
            shares = [(0.5, 0.5, 0.5)] * 2 if ct_sees_pv else [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0)]
        lines = range(1, service_of(service).line_count + 1)
        channels = tuple(tuple(CT(line, *enclosed) for enclosed in shares) for line in lines)
        return cls(
            service, channels, (CT(lead, pv=folded),), ct_sees_pv, ct_sees_pv, production_by, lead, scale,
            tuple(pv_lines or ()), is_summed=is_summed, pv_added_back=pv_added_back, is_clipped=is_clipped,
        )  # fmt: skip

    @property
    def line_count(self) -> int:
        """How many consumption channels it has, one a line."""
        return len(self.channels)

    @property
    def legs(self) -> tuple[str, ...]:
        """The codes of its consumption channels."""
        return LINES[: self.line_count]

    def cts(self, channel: str) -> tuple[CT, ...]:
        """Return the CTs that land on this channel, "l1" to "l3" or "production"."""
        return self.production if channel == PRODUCTION else self.channels[LINES.index(channel)]

    def with_cts(self, channel: str, cts: tuple[CT, ...]) -> Wiring:
        """Return the wiring with other CTs on this channel."""
        if channel == PRODUCTION:
            return replace(self, production=cts)
        at = LINES.index(channel)
        return replace(self, channels=(*self.channels[:at], cts, *self.channels[at + 1 :]))

    def with_each_ct(self, change: Callable[[CT], CT], channels: Sequence[str] | None = None) -> Wiring:
        """Return the wiring with `change` made to every CT of these channels, in their order; None: of every leg's."""
        wiring = self
        for channel in self.legs if channels is None else channels:
            wiring = wiring.with_cts(channel, tuple(change(ct) for ct in self.cts(channel)))
        return wiring

    def with_offset(self, channel: str, offset_w: Float | float) -> Wiring:
        """Return the wiring with this much added to a consumption channel [W], shape (n,)."""
        return replace(self, offsets={**self.offsets, channel: self.offset_w(channel) + offset_w})

    def offset_w(self, channel: str) -> Float | float:
        """Return what is added to a consumption channel [W]."""
        return self.offsets.get(channel, 0.0)

    def with_leak(self, into: str, from_: str, share: complex) -> Wiring:
        """Return the wiring in which this share of a channel's current gets into another channel's lead."""
        return replace(self, leaks={**self.leaks, (into, from_): share})

    def permuted(self, order: Sequence[int], signs: Sequence[int] | None = None) -> Wiring:
        """Return it with each CT of line i moved to line order[i - 1], and turned where signs[i - 1] is negative.

        The lines are numbered from 1: (2, 1) exchanges two, (2, 3, 1) moves three around.

        Raises
        ------
        ValueError
            `order` is no permutation of its lines.
        """
        if sorted(order) != list(range(1, self.line_count + 1)):
            raise ValueError(f"{tuple(order)} is no order of {self.line_count} lines")

        def moved(ct: CT) -> CT:
            there = ct.on_line(order[ct.line - 1])
            return there.turned() if signs is not None and signs[ct.line - 1] < 0 else there

        return self.with_each_ct(moved)

    def crossed_and_turned(self) -> Wiring:
        """Return it, of two lines, with each leg's CTs on the other and turned: right powers but for the volts."""
        return self.permuted((2, 1), (-1, -1))


def _sum(cts: tuple[CT, ...], circuit: Circuit) -> Complex:
    return sum((ct.current(circuit) for ct in cts), np.zeros(circuit.size, dtype=np.complex128))


def production_volts(circuit: Circuit, wiring: Wiring) -> Complex:
    """Return what the production channel multiplies by [V], without its scale, shape (n,)."""
    lead = wiring.production_leg - 1
    volts: Complex = circuit.volts[lead]
    if wiring.production_by == "leg":
        return volts
    fed = numbers_of(wiring.pv_lines, wiring.service)
    following = fed[(fed.index(lead) + 1) % len(fed)]
    between: Complex = volts - circuit.volts[following]
    return between


def measure(circuit: Circuit, wiring: Wiring) -> Reading:
    """Return what a monitor wired like this reports of this circuit, step by step.

    S = ratio * V_line * conj(sum of the channel's CT currents + leak * another channel's) + offset;
    production P = scale * Re(V * conj(I)) with V as `Wiring.production_by` says, and no ratio.
    """
    currents = {leg: _sum(cts, circuit) for leg, cts in zip(wiring.legs, wiring.channels, strict=True)}
    leaked = dict(currents)
    for (into, from_), share in wiring.leaks.items():
        if share:
            leaked[into] = leaked[into] + share * currents[from_]
    va = np.array([
        wiring.ratio * volts * np.conj(leaked[leg]) + wiring.offset_w(leg)
        for leg, volts in zip(wiring.legs, circuit.volts, strict=True)
    ])  # fmt: skip
    if wiring.is_summed:
        va = va.sum(axis=0, keepdims=True)
    made_va = production_volts(circuit, wiring) * np.conj(_sum(wiring.production, circuit))
    adds = wiring.pv_added_back and wiring.declared_sees_pv
    return Reading(
        va=va,
        produced_w=wiring.production_scale * made_va.real,
        added_share=1.0 / len(va) if adds else 0.0,
        is_clipped=wiring.is_clipped,
    )
