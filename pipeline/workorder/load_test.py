"""What a known load would read: a right install and each fault, by the same circuit physics as the simulator.

One switch at a time, all else as it was: the known load on an outlet of each line in turn, then the sun. A fault is
asked through its own `effect`, so one added as a file is answered like the others. What a severity leaves open (how
much a part-blind CT sees) is drawn, and draws whose answer to the sun is not the one measured at the home are left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.core.services import LINES
from pipeline.core.setting_sections import OrderSettings
from pipeline.core.wiring_text import read_wiring
from pipeline.faults.circuit import Circuit, Float
from pipeline.faults.cts import Wiring, measure
from pipeline.faults.types import Fault
from pipeline.workorder.install import Install

_REPEATS = 8  # switchings of a draw; their median leaves noise and wander out


@dataclass(frozen=True)
class Response:
    """Between what [W] each channel moves for each switch, in 8 draws of 10; shapes (switches, channels).

    Switches in order: load on each line, sun; channels: those of consumption, production. `is_either`: it is the low
    end or the high one, nothing between.
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
    fault: Fault,
    leg: str,
    install: Install,
    *,
    signal: Mapping[str, Any],
    settings: OrderSettings,
    wiring: str | None = None,
) -> Response | None:
    """Return what the install shows with this fault; None where it can't have it.

    Where the register has one CT a leg and the fault needs a pair, a pair is assumed. A fault that is a wrong
    record (it turns what is declared) is put on the install whose record is then the register's. Where the source
    exports the sum of all lines nobody knows which of them has the fault: each of its sets of lines is drawn.

    Parameters
    ----------
    fault, leg
        The fault and the leg it is on, a code of pipeline.core.services.
    install
        As the register describes it.
    signal
        The home's row of site_signal: slope_<line> [W/W] with _se; empty where nothing was measured.
    settings
        [orders]: the known load [W], the sun [W], the number of draws.
    wiring
        The likeliest wiring of three lines (a code of `core.wiring_text`): it stands for the fault where that, as
        drawn, answers the sun otherwise than the home does.
    """
    draws = []
    for on in fault.legs_on(install.service) if install.is_summed else (leg,):
        for draw in range(settings.draws):
            # An outlet hangs on one bundle or the other.
            circuit = _circuit(install, settings, float(draw % 2))
            faulty = _faulty_wiring(fault, on, install, circuit, draw)
            if faulty is None:
                return None
            draws.append(_switch(faulty, circuit))
    alike = [moves for moves in draws if _is_as_measured(moves, install, signal, settings)]
    if not alike and wiring is not None:
        alike = [
            moves
            for moves in [_wired(wiring, install, settings)]
            if _is_as_measured(moves, install, signal, settings)
        ]
    alike = alike or draws
    low, high = np.quantile(alike, (0.1, 0.9), axis=0, method="nearest")
    ends = np.minimum(np.abs(np.array(alike) - low), np.abs(np.array(alike) - high))
    return Response(low, high, np.all(ends <= settings.quiet_w, axis=0))


def _wired(code: str, install: Install, settings: OrderSettings) -> Float:
    """Return what moves where the CTs are on the lines, and the way round, that a wiring's code says."""
    wiring = _wiring(install)
    for found in read_wiring(code):
        on_line = (ct.on_line(LINES.index(found.line) + 1) for ct in wiring.cts(found.channel))
        cts = tuple(ct.turned() if found.is_turned else ct for ct in on_line)
        wiring = wiring.with_cts(found.channel, cts)
    return _switch(wiring, _circuit(install, settings, 0.5))


def _wiring(install: Install, *, sees_pv: bool | None = None, cts_per_leg: int | None = None) -> Wiring:
    """Return the right wiring, or that of another position or number of CTs."""
    return Wiring.sound(
        install.service,
        ct_sees_pv=install.sees_pv if sees_pv is None else sees_pv,
        cts_per_leg=cts_per_leg or install.cts_per_leg,
        pv_lines=install.pv_lines,
        is_summed=install.is_summed,
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
    """Return minutes in groups: nothing on, load on each line in turn, sun."""
    lines = len(install.lines)
    watts = np.diag([0.0, *[settings.known_load_w] * lines, settings.solar_w])
    _, *loads, sun = np.tile(watts, _REPEATS)
    return Circuit.from_powers(
        np.array(loads),
        sun,
        volts=install.volts,
        service=install.service,
        bundle_share=bundle_share,
        minutes=1.0,
        pv_lines=install.pv_lines,
    )


def _switch(wiring: Wiring, circuit: Circuit) -> Float:
    """Return by how much [W] each channel moves for each switch (switches, channels)."""
    reading = measure(circuit, wiring)
    channels = np.array([*(reading.line_w(line) for line in range(1, len(reading.va) + 1)), reading.pv_w])
    levels = channels.reshape(len(channels), _REPEATS, -1)
    moves: Float = np.median(levels[:, :, 1:] - levels[:, :, :1], axis=1).T
    return moves


def _is_as_measured(
    moves: Float, install: Install, signal: Mapping[str, Any], settings: OrderSettings
) -> bool:
    """Return whether the draw's answer to the sun is the one measured at the home, as far as it was."""
    sun = moves[-1, -1]
    for column, channel in enumerate(install.channels):
        slope, se = signal.get(f"slope_{channel}"), signal.get(f"slope_{channel}_se")
        if slope is None or se is None or se > settings.same_slope or abs(sun) < settings.quiet_w:
            continue
        if abs(moves[-1, column] / sun - slope) > settings.same_slope / 2 + 2 * se:
            return False
    return True
