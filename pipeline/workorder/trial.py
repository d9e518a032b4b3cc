"""What a known load would read: a right install and each fault, by the same circuit physics as the simulator.

One switch at a time, all else as it was: the known load on an outlet of leg 1, of leg 2, or the sun. A fault is asked
through its own `effect`, so one added as a file is answered like the others. What a severity leaves open (how much a
part-blind clamp sees) is drawn, and draws whose answer to the sun is not the one measured at the home are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.core.setting_sections import OrderSettings
from pipeline.faults.circuit import Circuit, Float
from pipeline.faults.clamps import Wiring, measure
from pipeline.faults.types import Fault
from pipeline.workorder.install import Install

_REPEATS = 8  # switchings of a draw; their median leaves noise and wander out
CHANNELS = ("l1", "l2", "pv")


@dataclass(frozen=True)
class Trial:
    """Between what [W] channels l1, l2 and pv move for each switch, in 8 draws of 10; shapes (3 switches, 3 channels).

    Switches in order: load on leg 1, load on leg 2, sun. `is_either`: it is the one end or the other, nothing between.
    """

    low: Float
    high: Float
    is_either: NDArray[np.bool_]

    def is_within(self, other: Trial, by_w: float) -> bool:
        """Tell whether all that moves here could as well be the other, to within this many watts."""
        return bool(np.all(self.low >= other.low - by_w) and np.all(self.high <= other.high + by_w))

    def is_apart(self, other: Trial, switch: int, channel: int, by_w: float) -> bool:
        """Tell whether the two move a channel by amounts that can't be taken for each other."""
        return bool(
            self.low[switch, channel] > other.high[switch, channel] + by_w
            or other.low[switch, channel] > self.high[switch, channel] + by_w
        )


def right_trial(install: Install, own: OrderSettings) -> Trial:
    """Return what a right install shows."""
    moved = _moved(install, install.wiring(), _circuit(install, own, 0.5), own)
    return Trial(moved, moved, np.zeros(moved.shape, dtype=np.bool_))


def fault_trial(
    fault: Fault, leg: str, install: Install, signal: dict[str, Any], own: OrderSettings
) -> Trial | None:
    """Return what the install shows with this fault on this leg; None where it can't have it.

    Where the register has one clamp a leg and the fault needs a pair, a pair is assumed. A fault that is a wrong
    record (it turns what is declared) is put on the install whose record is then the register's.
    """
    drawn = []
    for draw in range(own.draws):
        circuit = _circuit(install, own, float(draw % 2))  # an outlet hangs on one bundle or the other
        wiring = _with(fault, leg, install, circuit, draw)
        if wiring is None:
            return None
        drawn.append(_moved(install, wiring, circuit, own))
    alike = [moved for moved in drawn if _is_measured(moved, install, signal, own)] or drawn
    low, high = np.quantile(alike, (0.1, 0.9), axis=0, method="nearest")
    ends = np.minimum(np.abs(np.array(alike) - low), np.abs(np.array(alike) - high))
    return Trial(low, high, np.all(ends <= own.quiet_w, axis=0))


def _with(fault: Fault, leg: str, install: Install, circuit: Circuit, draw: int) -> Wiring | None:
    for cts_per_leg in (install.cts_per_leg, 2):
        right = install.wiring(cts_per_leg=cts_per_leg)
        if fault.fits(right, circuit):
            break
    else:
        return None
    faulty = fault.effect(right, circuit, leg, np.random.default_rng(draw))
    if faulty.declared_sees_pv != install.sees_pv:
        right = install.wiring(sees_pv=not install.sees_pv, cts_per_leg=cts_per_leg)
        faulty = fault.effect(right, circuit, leg, np.random.default_rng(draw))
    return faulty


def _circuit(install: Install, own: OrderSettings, bundle_share: float) -> Circuit:
    load, sun = own.known_load_w, own.solar_w

    def switched(step: int, watts: float) -> Float:
        pattern = np.zeros(4)
        pattern[step] = watts
        return np.tile(pattern, _REPEATS)

    volts = 240.0 if install.service == "single" else 120.0
    return Circuit.from_powers(
        switched(1, load), switched(2, load), switched(3, sun), v1=volts, v2=volts, service=install.service,
        bundle_share=bundle_share, minutes=1.0,
    )  # fmt: skip


def _moved(install: Install, wiring: Wiring, circuit: Circuit, own: OrderSettings) -> Float:
    reading = measure(circuit, wiring)
    levels = np.array([reading.l1_w, reading.l2_w, reading.pv_w]).reshape(3, _REPEATS, 4)
    moved: Float = np.median(levels[:, :, 1:] - levels[:, :, :1], axis=1).T
    return moved


def _is_measured(moved: Float, install: Install, signal: dict[str, Any], own: OrderSettings) -> bool:
    """Tell whether the draw's answer to the sun is the one measured at the home, as far as it was."""
    for column, leg in enumerate(install.channels):
        slope, se = signal.get(f"slope_{leg}"), signal.get(f"slope_{leg}_se")
        sun = moved[2, 2]
        if slope is None or se is None or se > own.same_slope or abs(sun) < own.quiet_w:
            continue
        if abs(moved[2, column] / sun - slope) > own.same_slope / 2 + 2 * se:
            return False
    return True
