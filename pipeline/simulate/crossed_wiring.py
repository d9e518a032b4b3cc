"""Which line each channel's CTs are on and how they face: what a crew gets wrong together, how truth.csv says it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.faults.cts import CT, Wiring

TURNED_SHARE = 0.15  # of homes with three lines and CTs on the wrong ones, with some of them turned too


def turn_some(wiring: Wiring, share: float, rng: np.random.Generator) -> Wiring:
    """Return the wiring, in this share of those with CTs on each other's of three lines with some CTs turned too."""
    if wiring.line_count < 3 or not is_permuted(wiring) or rng.random() >= share:
        return wiring
    turned = [leg for leg in wiring.legs if rng.random() < 0.5] or [wiring.legs[int(rng.integers(3))]]
    words = f"{wiring.severity}, CTs of {' and '.join(leg.upper() for leg in turned)} turned"
    return replace(wiring.with_each_ct(CT.turned, turned), severity=words)


def is_permuted(wiring: Wiring) -> bool:
    """Return whether the channels' CTs are on each other's lines, one channel a line."""
    lines = [tuple({ct.line for ct in cts if not ct.pv}) for cts in wiring.channels]
    own = [(number,) for number in range(1, wiring.line_count + 1)]
    return lines != own and sorted(lines) == own


def wiring_code(wiring: Wiring) -> str:
    """Return a word a consumption channel, "l2+ l1- l3+": its CTs' line and "+", or "-" where they are turned.

    Unlike CTs of a channel are joined by "&", one around the inverter's conductor is "pv+", no CT is "none".
    """
    return " ".join("&".join(sorted({_ct_code(ct) for ct in cts})) or "none" for cts in wiring.channels)


def _ct_code(ct: CT) -> str:
    return ("pv" if ct.pv else f"l{ct.line}") + ("-" if ct.is_turned else "+")
