"""Three lines on site: what the known load on each line in turn says about every CT, and which lines the sun is on.

Three CTs can be crossed in six ways and turned in eight. A channel multiplies its CT's current with its own line's
voltage, so a load moves a channel only if that channel's CT is on the load's line: by all of it, or by half of it with
the other sign where the voltage is another line's.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np

from pipeline.core.setting_sections import OrderSettings
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure
from pipeline.probes.leg_text import together
from pipeline.report import words
from pipeline.workorder.install import Install
from pipeline.workorder.load_test import right_response


class Meaning(NamedTuple):
    """What moves when the known load is put on one line, and what that means."""

    moves: str
    means: str


class WiringKey(NamedTuple):
    """How to read the known-load test of three lines: meanings of one load, and notes on voltages and on the sun."""

    meanings: tuple[Meaning, ...] = ()
    notes: tuple[str, ...] = ()


def wiring_key(install: Install, settings: OrderSettings) -> WiringKey:
    """Return the key of a home whose three lines are read one by one; nothing for any other."""
    if len(install.channels) < 3:
        return WiringKey()
    own, other, reactive = _moves(install, settings)
    plus, minus = (words.number(sign * round(own, -1), sign=True) for sign in (1, -1))
    half_minus, half_plus = (words.number(sign * round(other, -1), sign=True) for sign in (1, -1))
    var = words.number(abs(round(reactive, -1)))
    meanings = (
        Meaning(f"its own channel by {plus} W, no other", "this line's CT is right"),
        Meaning(f"its own channel by {minus} W", "its CT is on this line, reversed"),
        Meaning(f"another channel by {half_minus} W (and {var} var)", "that channel's CT is on this line"),
        Meaning(
            f"another channel by {half_plus} W (and {var} var)", "that channel's CT is on this line, reversed"
        ),
        Meaning("two channels", "two CTs are on this line, and some other line has none"),
        Meaning("no channel", "no CT is on this line, or its lead is open"),
    )
    return WiringKey(meanings, (_voltage_note(install), *_sun_notes(install, settings)))


def _moves(install: Install, settings: OrderSettings) -> tuple[float, float, float]:
    """Return what a load on line 2 makes channel 2 read [W], and channel 1 with its CT on line 2 [W], [var]."""
    loads = np.zeros((len(install.lines), 1))
    loads[1] = settings.known_load_w
    circuit = Circuit.from_powers(loads, np.zeros(1), service=install.service, volts=install.volts)
    misplaced = Wiring.sound(install.service).with_each_ct(lambda ct: ct.on_line(2), ("l1",))
    reading = measure(circuit, misplaced)
    return tuple(float(value[0]) for value in (reading.line_w(2), reading.line_w(1), reading.line_var(1)))  # type: ignore[return-value]


def _voltage_note(install: Install) -> str:
    """Return how a voltage tells one line from another: by the service's second number."""
    found = re.search(r"/(\d+)", install.service)
    between = f"about {found[1]} V" if found else "the full voltage between lines"
    return (
        f"Voltage tester between the conductors under two CTs, or between a CT's conductor and the monitor's voltage "
        f"input of that channel: 0 V is the same line, {between} is another line."
    )


def _sun_notes(install: Install, settings: OrderSettings) -> tuple[str, ...]:
    if not install.has_pv:
        return ()
    clamp = "put the clamp meter around each conductor of the inverter in turn"
    if not install.sees_pv or install.pv_added_back:
        return (
            f"Which lines the inverter feeds: the channels don't show it here; {clamp}, and follow it to its line.",
        )
    drops = [
        f"{words.number(-round(settings.solar_w / count, -1), sign=True)} W {where}"
        for count, where in ((1, "on one line"), (2, "on each of two"), (3, "on each of three"))
    ]
    fed = [line.upper() for line, share in install.pv_shares.items() if share]
    right = right_response(install, settings).low[-1]
    now = words.number(round(float(min(right[:-1])), -1), sign=True)
    return (
        "Which lines the inverter feeds: once every CT is right, switch the solar on. The channels that fall are those:"
        f" {', '.join(drops)}. Expected here: {together(fed)}, {now} W{' on each' * (len(fed) > 1)}. In doubt {clamp}.",
    )
