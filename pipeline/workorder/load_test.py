"""What a known load would read: a right install and each fault, by the same circuit physics as the simulator.

One switch at a time, all else as it was: the known load on an outlet of leg 1, of leg 2, or the sun. A fault is asked
through its own `effect`, so one added as a file is answered like the others. What a severity leaves open (how much a
part-blind CT sees) is drawn, and draws whose answer to the sun is not the one measured at the home are left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.core.setting_sections import OrderSettings
from pipeline.faults.circuit import Circuit, Float
from pipeline.faults.cts import Wiring, measure
from pipeline.faults.types import Fault

_REPEATS = 8  # switchings of a draw; their median leaves noise and wander out
CHANNELS = ("l1", "l2", "pv")


@dataclass(frozen=True)
class Install:
    """What of the register decides a reading; what is empty there counts as the usual."""

    service: str
    sees_pv: bool
    cts_per_leg: int
    pv_added_back: bool
    has_pv: bool

    @classmethod
    def of(cls, register: Mapping[str, Any], score: Mapping[str, Any]) -> Install:
        """Return the install of a home: an empty service is 120/240, an undeclared position is upstream."""
        sees_pv = register["ct_sees_pv"] is not False
        return cls(
            service=register["service"] or score["service"] or "120/240",
            sees_pv=sees_pv,
            cts_per_leg=min(2, round(register["cts_per_leg"] or 1)),
            pv_added_back=bool(register["pv_added_back"]) and sees_pv,
            has_pv=(register["pv_kw"] or 0) > 0 or score["slope_l1"] is not None,
        )

    @property
    def legs(self) -> tuple[str, ...]:
        """The consumption channels it has."""
        return ("l1",) if self.service == "single" else ("l1", "l2")


@dataclass(frozen=True)
class Response:
    """Between what [W] channels l1, l2 and pv move for each switch, in 8 draws of 10; shapes (3 switches, 3 channels).

    Switches in order: load on leg 1, load on leg 2, sun. `is_either`: it is the low end or the high one, nothing
    between.
    """

    low: Float
    high: Float
    is_either: NDArray[np.bool_]

    def is_within(self, other: Response, by_w: float) -> bool:
        """Return whether all that moves here could as well be the other, to within this many watts."""
        return bool(np.all(self.low >= other.low - by_w) and np.all(self.high <= other.high + by_w))

    def is_apart(self, other: Response, cell: tuple[int, int], by_w: float) -> bool:
        """Return whether the two move a (switch, channel) by amounts that can't be taken for each other."""
        gap = max(self.low[cell] - other.high[cell], other.low[cell] - self.high[cell])
        return bool(gap > by_w)


def right_response(install: Install, settings: OrderSettings) -> Response:
    """Return what a right install shows."""
    moves = _switch(_wiring(install), _circuit(install, settings, 0.5))
    return Response(moves, moves, np.zeros(moves.shape, dtype=np.bool_))


def fault_response(
    fault: Fault, leg: str, install: Install, *, signal: Mapping[str, Any], settings: OrderSettings
) -> Response | None:
    """Return what the install shows with this fault; None where it can't have it.

    Where the register has one CT a leg and the fault needs a pair, a pair is assumed. A fault that is a wrong
    record (it turns what is declared) is put on the install whose record is then the register's.

    Parameters
    ----------
    fault, leg
        The fault and the leg it is on ("l1", "l2", "both").
    install
        As the register describes it.
    signal
        The home's row of site_signal: slope_l1, slope_l2 [W/W] with _se; empty where nothing was measured.
    settings
        [orders]: the known load [W], the sun [W], the number of draws.
    """
    draws = []
    for draw in range(settings.draws):
        circuit = _circuit(install, settings, float(draw % 2))  # an outlet hangs on one bundle or the other
        wiring = _faulty_wiring(fault, leg, install, circuit, draw)
        if wiring is None:
            return None
        draws.append(_switch(wiring, circuit))
    alike = [moves for moves in draws if _is_as_measured(moves, install, signal, settings)] or draws
    low, high = np.quantile(alike, (0.1, 0.9), axis=0, method="nearest")
    ends = np.minimum(np.abs(np.array(alike) - low), np.abs(np.array(alike) - high))
    return Response(low, high, np.all(ends <= settings.quiet_w, axis=0))


def _wiring(install: Install, *, sees_pv: bool | None = None, cts_per_leg: int | None = None) -> Wiring:
    """Return the right wiring, or that of another position or number of CTs."""
    return Wiring.sound(
        install.service,
        ct_sees_pv=install.sees_pv if sees_pv is None else sees_pv,
        cts_per_leg=cts_per_leg or install.cts_per_leg,
        pv_added_back=install.pv_added_back,
    )


def _faulty_wiring(fault: Fault, leg: str, install: Install, circuit: Circuit, draw: int) -> Wiring | None:
    for cts_per_leg in (install.cts_per_leg, 2):
        right = _wiring(install, cts_per_leg=cts_per_leg)
        if fault.fits(right, circuit):
            break
    else:
        return None
    faulty = fault.effect(right, circuit, leg, np.random.default_rng(draw))
    if faulty.declared_sees_pv != install.sees_pv:
        right = _wiring(install, sees_pv=not install.sees_pv, cts_per_leg=cts_per_leg)
        faulty = fault.effect(right, circuit, leg, np.random.default_rng(draw))
    return faulty


def _circuit(install: Install, settings: OrderSettings, bundle_share: float) -> Circuit:
    """Return minutes in groups of four: nothing on, load on leg 1, load on leg 2, sun."""
    watts = np.diag([0.0, settings.known_load_w, settings.known_load_w, settings.solar_w])
    _, *loads, sun = np.tile(watts, _REPEATS)
    return Circuit.from_powers(
        np.array(loads[: len(install.legs)]),
        sun,
        service=install.service,
        bundle_share=bundle_share,
        minutes=1.0,
    )


def _switch(wiring: Wiring, circuit: Circuit) -> Float:
    """Return by how much [W] each channel moves for each switch (3 switches, 3 channels)."""
    reading = measure(circuit, wiring)
    # a leg that there isn't stays at 0
    channels = np.nan_to_num(np.array([reading.l1_w, reading.l2_w, reading.pv_w]))
    levels = channels.reshape(3, _REPEATS, 4)
    moves: Float = np.median(levels[:, :, 1:] - levels[:, :, :1], axis=1).T
    return moves


def _is_as_measured(
    moves: Float, install: Install, signal: Mapping[str, Any], settings: OrderSettings
) -> bool:
    """Return whether the draw's answer to the sun is the one measured at the home, as far as it was."""
    sun = moves[2, 2]
    for column, leg in enumerate(install.legs):
        slope, se = signal.get(f"slope_{leg}"), signal.get(f"slope_{leg}_se")
        if slope is None or se is None or se > settings.same_slope or abs(sun) < settings.quiet_w:
            continue
        if abs(moves[2, column] / sun - slope) > settings.same_slope / 2 + 2 * se:
            return False
    return True
