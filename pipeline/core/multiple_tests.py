"""Several tests at once: which of them say something although one in twenty would by luck."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def holm(p_values: Sequence[float], alpha: float) -> list[bool]:
    """Return which of the tests are significant, with a chance of `alpha` for any false one (Holm 1979)."""
    order = np.argsort(p_values)
    is_significant = np.asarray(p_values)[order] <= alpha / (len(p_values) - np.arange(len(p_values)))
    kept = np.logical_and.accumulate(is_significant)
    return [bool(kept[at]) for at in np.argsort(order)]
