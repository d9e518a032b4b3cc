"""Watts, spans and names as a sheet says them."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.core.setting_sections import OrderSettings
from pipeline.report import words


def watts(value: float) -> str:
    """Return signed whole tens of watts without the unit: "+1 500"."""
    return words.number(round(value, -1), sign=True)


def moves(low: float, high: float, is_either: bool, own: OrderSettings) -> str:
    """Return by how much [W] a channel moves, in words: "0", "−1 500", "+450 to +750", "0 or +1 500"."""
    if max(abs(low), abs(high)) <= own.quiet_w:
        return "0"
    if high - low <= 2 * own.quiet_w:
        middle = (low + high) / 2
        return "0" if abs(middle) <= own.quiet_w else watts(middle)
    near, far = sorted((low, high), key=abs)
    return f"{watts(near)} {'or' if is_either else 'to'} {watts(far)}"


def accepted(value: float, own: OrderSettings) -> str:
    """Return what counts as right for a channel that should move by this [W]: "+1 500 ± 150"."""
    if abs(value) <= own.quiet_w:
        return f"0 ± {own.quiet_w:.0f}"
    return f"{watts(value)} ± {words.number(round(abs(value) * own.load_tolerance, -1))}"


def likely(share: float, scale: Mapping[str, float]) -> str:
    """Return a likelihood in words, by the shares from which each word holds."""
    ordered = sorted(scale.items(), key=lambda pair: -pair[1])
    return next((word for word, least in ordered if share >= least), ordered[-1][0])


def measured(value: float, error: float | None, *, sign: bool = True) -> str:
    """Return a number with its standard error where it is known, to the error's hundredths or thousandths."""
    decimals = 3 if error is not None and error < 0.01 else 2
    text = words.number(value, decimals, sign=sign)
    return text if error is None else f"{text} ± {max(error, 0.001):.{decimals}f}"
