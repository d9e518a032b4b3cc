"""Complex power of a home's service: the currents and voltages of its two legs.

Currents and voltages are rms phasors over time, shape (n,), in one common frame whose reference is
leg 1's voltage. S = V * conj(I) (IEEE 1459 sign: lagging loads have positive reactive power);
positive power flows from the utility into the home. pipeline.faults.cts says what CTs around these
conductors report.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]
Float = NDArray[np.float64]
PvLeg = Literal["both", "l1", "l2"]

# Angle of leg 2's voltage against leg 1's, degrees. "single" has no second leg.
LEG_2_DEG = {"120/240": 180.0, "120/208": -120.0, "single": 0.0}


@dataclass(frozen=True)
class Circuit:
    """Voltages [V rms] and currents [A rms] of a home over time, all complex phasors of shape (n,).

    `load_1a` and `load_1b` are the two bundles in which leg 1's load conductors leave the panel, and
    so for leg 2; positive from the panel into the loads. `source_1`, `source_2` is everything that
    feeds (solar, battery), positive towards the panel; `pv_1`, `pv_2` is the part of it that flows in
    the monitored inverter's own conductors. `minutes` is the length of a step.
    """

    service: str
    minutes: float
    v1: Complex
    v2: Complex
    load_1a: Complex
    load_1b: Complex
    load_2a: Complex
    load_2b: Complex
    source_1: Complex
    source_2: Complex
    pv_1: Complex
    pv_2: Complex

    @classmethod
    def from_powers(
        cls,
        load_1_va: Complex | Float,
        load_2_va: Complex | Float,
        pv_w: Float,
        *,
        battery_w: Float | float = 0.0,
        v1: Float | float = 120.0,
        v2: Float | float = 120.0,
        service: str = "120/240",
        bundle_share: Float | float = 0.5,
        minutes: float = 15.0,
        pv_leg: PvLeg = "both",
    ) -> Circuit:
        """Return the circuit in which the legs' loads and sources have these powers.

        Parameters
        ----------
        load_1_va, load_2_va
            Load of each leg [W + j var], positive consuming and lagging; leg 2 is ignored on "single".
        pv_w
            Power of the monitored inverter [W], positive producing, at power factor 1.
        battery_w
            Power of every other source (battery, an array nobody monitors) [W], positive feeding.
        v1, v2
            Magnitude of each leg's voltage [V rms].
        service
            "120/240", "120/208" or "single".
        bundle_share
            Share [0, 1] of each leg's load current that leaves in bundle a.
        minutes
            Length of a step.
        pv_leg
            "both" for an inverter between the legs (240 V or 208 V), "l1"/"l2" for one on a leg.
        """
        size = np.shape(pv_w)[0]
        volt_1 = np.broadcast_to(np.asarray(v1, dtype=np.complex128), (size,))
        volt_2 = np.broadcast_to(np.asarray(v2, dtype=np.complex128), (size,))
        volt_2 = volt_2 * np.exp(1j * np.deg2rad(LEG_2_DEG[service]))
        none = np.zeros(size, dtype=np.complex128)
        if service == "single":
            volt_2, load_2 = none, none
            pv_1, pv_2 = np.conj(pv_w / volt_1), none
            other_1, other_2 = np.conj(battery_w / volt_1) + none, none
        else:
            load_2 = np.conj(np.asarray(load_2_va, dtype=np.complex128) / volt_2)
            between = volt_1 - volt_2
            other_1 = np.conj(battery_w / between) + none
            other_2 = -other_1
            if pv_leg == "both":
                pv_1 = np.conj(pv_w / between)
                pv_2 = -pv_1
            else:
                pv_1 = np.conj(pv_w / volt_1) if pv_leg == "l1" else none
                pv_2 = np.conj(pv_w / volt_2) if pv_leg == "l2" else none
        load_1: Complex = np.conj(np.asarray(load_1_va, dtype=np.complex128) / volt_1)
        a, b = bundle_share, 1.0 - bundle_share
        return cls(
            service, minutes, volt_1, volt_2, load_1 * a, load_1 * b, load_2 * a, load_2 * b,
            source_1=pv_1 + other_1, source_2=pv_2 + other_2, pv_1=pv_1, pv_2=pv_2,
        )  # fmt: skip

    @classmethod
    def from_bundles(
        cls,
        bundles_1: tuple[Complex, Complex],
        bundles_2: tuple[Complex, Complex],
        pv_w: Float,
        **others: Any,
    ) -> Circuit:
        """Return the circuit whose legs' bundles a and b have these powers [W + j var], shape (n,) each.

        Parameters
        ----------
        bundles_1, bundles_2
            Load of each leg's bundles, positive consuming and lagging; leg 2 is ignored on "single".
        pv_w, others
            As in `from_powers`, without a share of bundles.
        """
        circuit = cls.from_powers(np.add(*bundles_1), np.add(*bundles_2), pv_w, **others)
        load_1a, load_1b = (np.conj(power / circuit.v1) for power in bundles_1)
        if circuit.service == "single":
            return replace(circuit, load_1a=load_1a, load_1b=load_1b)
        load_2a, load_2b = (np.conj(power / circuit.v2) for power in bundles_2)
        return replace(circuit, load_1a=load_1a, load_1b=load_1b, load_2a=load_2a, load_2b=load_2b)

    @property
    def size(self) -> int:
        """Number of time steps n."""
        return int(self.v1.shape[0])

    @property
    def has_pv(self) -> bool:
        """Whether the monitored inverter ever produces."""
        return bool(np.any(self.pv_1) or np.any(self.pv_2))

    @property
    def load_va(self) -> tuple[Complex, Complex]:
        """Load of legs 1 and 2 [W + j var], positive consuming."""
        load_1, load_2 = self.load_1a + self.load_1b, self.load_2a + self.load_2b
        return self.v1 * np.conj(load_1), self.v2 * np.conj(load_2)

    @property
    def source_va(self) -> tuple[Complex, Complex]:
        """Power that solar and battery feed into legs 1 and 2 [W + j var], positive feeding."""
        return self.v1 * np.conj(self.source_1), self.v2 * np.conj(self.source_2)


def line_to_line_va(
    power_va: Complex | Float, v1: Float | float, v2: Float | float, *, service: str
) -> tuple[Complex, Complex]:
    """Return what a load between the legs draws from leg 1 and leg 2 [W + j var], shape (n,) each.

    Half on each on 120/240; on 120/208 half the real power on each with reactive power of
    -0.289 and +0.289 of it, because the legs' voltages are 30 degrees off the current. On "single"
    all of it on leg 1.

    Parameters
    ----------
    power_va
        What the load takes [W + j var], shape (n,).
    v1, v2
        Magnitude of each leg's voltage [V rms].
    service
        "120/240", "120/208" or "single".
    """
    power = np.asarray(power_va, dtype=np.complex128)
    if service == "single":
        return power, np.zeros_like(power)
    volt_2 = v2 * np.exp(1j * np.deg2rad(LEG_2_DEG[service]))
    between = v1 - volt_2
    return power * v1 / between, -power * volt_2 / between
