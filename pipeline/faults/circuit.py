"""Complex power of a home's service: the currents and voltages of its one, two or three lines.

Currents and voltages are rms phasors over time, shape (lines, n), in one common frame whose reference is
line 1's voltage. S = V * conj(I) (IEEE 1459 sign: lagging loads have positive reactive power);
positive power flows from the utility into the home. pipeline.faults.cts says what CTs around these
conductors report.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.core.services import LINES, service_of

Complex = NDArray[np.complex128]
Float = NDArray[np.float64]


@dataclass(frozen=True)
class Circuit:
    """Voltages to neutral [V rms] and currents [A rms] of a home over time, complex phasors of shape (lines, n).

    `load_a` and `load_b` are the two bundles in which each line's load conductors leave the panel, positive
    from the panel into the loads. `source` is everything that feeds (solar, battery), positive towards the panel;
    `pv` is the part of it that flows in the monitored inverter's own conductors. `minutes` is the length of a step.
    """

    service: str
    minutes: float
    volts: Complex
    load_a: Complex
    load_b: Complex
    source: Complex
    pv: Complex

    @classmethod
    def from_powers(
        cls,
        loads_va: Complex | Float,
        pv_w: Float,
        *,
        battery_w: Float | float = 0.0,
        volts: Float | float | None = None,
        service: str = "120/240",
        bundle_share: Float | float = 0.5,
        minutes: float = 15.0,
        pv_lines: Sequence[str] | None = None,
    ) -> Circuit:
        """Return the circuit in which the lines' loads and sources have these powers.

        Parameters
        ----------
        loads_va
            Load of each line [W + j var], positive consuming and lagging, shape (lines, n).
        pv_w
            Power of the monitored inverter [W], positive producing, at power factor 1, shape (n,).
        battery_w
            Power of every other source (battery, an array nobody monitors) [W], positive feeding, on all lines.
        volts
            Size of each line's voltage to neutral [V rms]: a number, (lines, 1) or (lines, n); None: nominal.
        service
            A name of pipeline.core.services.
        bundle_share
            Share [0, 1] of each line's load current that leaves in bundle a.
        minutes
            Length of a step.
        pv_lines
            The lines that the inverter feeds, as ("l1", "l3"): one to neutral, several between each other in equal
            parts. None: all lines of the service.

        Raises
        ------
        ValueError
            The loads are not those of the service's lines.
        """
        phasors = _phasors(np.shape(pv_w)[0], volts, service)
        if np.shape(loads_va) != phasors.shape:
            raise ValueError(f"{service} has {len(phasors)} lines: loads of shape {np.shape(loads_va)}")
        loads: Complex = np.conj(np.asarray(loads_va, dtype=np.complex128) / phasors)
        pv = _feed(pv_w, phasors, numbers_of(pv_lines, service))
        other = _feed(battery_w, phasors, numbers_of(None, service))
        a, b = bundle_share, 1.0 - bundle_share
        return cls(service, minutes, phasors, loads * a, loads * b, source=pv + other, pv=pv)

    @classmethod
    def from_bundles(
        cls, bundles_a: Complex | Float, bundles_b: Complex | Float, pv_w: Float, **others: Any
    ) -> Circuit:
        """Return the circuit whose lines' bundles a and b have these powers [W + j var], shape (lines, n) each.

        Parameters
        ----------
        bundles_a, bundles_b
            Load of each line's bundles, positive consuming and lagging.
        pv_w, others
            As in `from_powers`, without a share of bundles.
        """
        circuit = cls.from_powers(np.add(bundles_a, bundles_b), pv_w, **others)
        load_a, load_b = (np.conj(np.asarray(va) / circuit.volts) for va in (bundles_a, bundles_b))
        return replace(circuit, load_a=load_a, load_b=load_b)

    @property
    def line_count(self) -> int:
        """How many lines it has, 1 to 3."""
        return int(self.volts.shape[0])

    @property
    def size(self) -> int:
        """Number of time steps n."""
        return int(self.volts.shape[1])

    @property
    def has_pv(self) -> bool:
        """Whether the monitored inverter ever produces."""
        return bool(np.any(self.pv))

    @property
    def load(self) -> Complex:
        """Load current of each line [A], both bundles, shape (lines, n)."""
        return self.load_a + self.load_b

    @property
    def load_va(self) -> Complex:
        """Load of each line [W + j var], positive consuming, shape (lines, n)."""
        return self.volts * np.conj(self.load)

    @property
    def source_va(self) -> Complex:
        """Power that solar and battery feed into each line [W + j var], positive feeding, shape (lines, n)."""
        return self.volts * np.conj(self.source)

    def with_bundle_shares(self, shares_a: Float) -> Circuit:
        """Return it with so much [0, 1] of each line's load current in bundle a, shape (lines, n)."""
        load = self.load
        return replace(self, load_a=load * shares_a, load_b=load * (1 - shares_a))


def numbers_of(lines: Sequence[str] | None, service: str) -> tuple[int, ...]:
    """Return the rows, from 0, of these lines of a service; of all its lines for None or none.

    >>> numbers_of(("l1", "l3"), "230/400"), numbers_of(None, "120/240")
    ((0, 2), (0, 1))
    """
    count = service_of(service).line_count
    return tuple(row for row in range(count) if not lines or LINES[row] in lines)


def line_to_line_va(
    power_va: Complex | Float,
    volts: Float | float,
    *,
    service: str,
    lines: Sequence[str] | None = None,
) -> Complex:
    """Return what a load between lines draws from each line [W + j var], shape (lines, n).

    Half on each on 120/240; on two lines 120 degrees apart half the real power on each with reactive power of
    -0.289 and +0.289 of it, because the lines' voltages are 30 degrees off the current; a third on each of three.
    All of it on the one line that there is, or that is asked for.

    Parameters
    ----------
    power_va
        What the load takes [W + j var], shape (n,).
    volts
        Size of each line's voltage to neutral [V rms]: a number, (lines, 1) or (lines, n).
    service
        A name of pipeline.core.services.
    lines
        The lines it is connected to; None: all. Three share it like a motor, in equal parts between each two.
    """
    power = np.asarray(power_va, dtype=np.complex128)
    phasors = _phasors(power.shape[0], volts, service)
    drawn = np.zeros_like(phasors)
    rows = numbers_of(lines, service)
    if len(rows) == 1:
        drawn[rows[0]] = power
    for i, j, part in _pairs(power, rows):
        between = phasors[i] - phasors[j]
        drawn[i] += part * phasors[i] / between
        drawn[j] += -part * phasors[j] / between
    return drawn


def _phasors(size: int, volts: Float | float | None, service: str) -> Complex:
    """Return each line's voltage at its angle, shape (lines, size)."""
    known = service_of(service)
    sizes = np.asarray(known.volts if volts is None else volts, dtype=np.complex128)
    turns = np.exp(1j * np.deg2rad(np.array(known.degrees)))
    phasors: Complex = np.broadcast_to(sizes, (known.line_count, size)) * turns[:, None]
    return phasors


def _pairs(power: Any, rows: Sequence[int]) -> Iterator[tuple[int, int, Any]]:
    """Yield each two of these lines, and the part of the power that flows between them: none between one."""
    pairs = tuple(combinations(rows, 2))
    return ((i, j, power / len(pairs)) for i, j in pairs)


def _feed(power_w: Float | float, volts: Complex, rows: Sequence[int]) -> Complex:
    """Return the currents [A] with which a source of power factor 1 feeds these lines, shape (lines, n)."""
    amps = np.zeros_like(volts)
    if len(rows) == 1:
        amps[rows[0]] = np.conj(power_w / volts[rows[0]])
    for i, j, part in _pairs(power_w, rows):
        between = np.conj(part / (volts[i] - volts[j]))
        amps[i] += between
        amps[j] -= between
    return amps
