"""How a number is written: a true minus, thin-spaced thousands, "–" where there is none."""

from __future__ import annotations

from math import inf

from pipeline.core.percent_text import NOTHING


def number(value: float | None, decimals: int = 0, *, sign: bool = False) -> str:
    """Return a number with a true minus and thin-spaced thousands, "–" where there is none."""
    if value is None or not -inf < value < inf:
        return NOTHING
    rounded = round(value, decimals) + 0.0  # + 0.0 turns −0.0 into 0.0
    text = f"{rounded:+,.{decimals}f}" if sign and rounded else f"{rounded:,.{decimals}f}"
    return text.replace("-", "−").replace(",", "\u202f")
