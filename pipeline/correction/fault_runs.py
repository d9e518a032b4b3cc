"""From which to which of its days a fault is seen, by the log odds of blocks of days, then of the days at its edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
CLIP = 4.0  # log odds: one block says no more than this
SWITCH = 3.0  # log odds that a change between right and faulty costs
# A home whose own days say little of its fault now is told from right days by less: by how much at the most.
LEAST_THRESHOLD = -2.0
USUAL_NOW = 4.0
_DAY_CLIP = (-8.0, 4.0)
_APART = 2.0  # log odds by which days before a change at the very edge must be lower


@dataclass(frozen=True)
class Run:
    """The last run of blocks in which the fault is seen: indices of its `first` and `last` block."""

    first: int
    last: int


def threshold(now: float) -> float:
    """Return the log odds from which on a block speaks for the fault, by what the home's days say of it now.

    Days that all say +4 are told from right ones (-6 and less) at 0; days that hardly tell at a lower value.
    """
    return float(np.clip((now - USUAL_NOW) / 2, LEAST_THRESHOLD, 0.0))


def last_run(log_odds: Float) -> Run | None:
    """Return the last run of blocks with the fault on the likeliest path through all blocks; None: on no block.

    Parameters
    ----------
    log_odds
        Of each block, oldest first, less the `threshold`; NaN: it has no rows.
    """
    said = np.clip(np.nan_to_num(log_odds), -CLIP, CLIP)
    best = np.zeros((len(said), 2))
    came = np.zeros((len(said), 2), dtype=np.int64)
    for block, value in enumerate(said.tolist()):
        for state, says in enumerate((-value / 2, value / 2)):
            stay, switch = (
                (best[block - 1, state], best[block - 1, 1 - state] - SWITCH) if block else (0.0, 0.0)
            )
            came[block, state] = state if stay >= switch else 1 - state
            best[block, state] = says + max(stay, switch)
    state = int(best[-1, 1] >= best[-1, 0]) if len(said) else 0
    last = None
    for block in range(len(said) - 1, -1, -1):
        if state and last is None:
            last = block
        if last is not None and not state:
            return Run(block + 1, last)
        state = int(came[block, state])
    return None if last is None else Run(0, last)


def first_day(log_odds: Float, *, earliest: int, must_change: bool) -> int:
    """Return the index of the first day of the fault, by a step in the days' log odds; 0 without a step.

    Parameters
    ----------
    log_odds
        Of the days from well before the edge, oldest first.
    earliest
        The first that may be returned.
    must_change
        The blocks say that it wasn't there before; else only a clear step counts.
    """
    said = np.clip(log_odds, *_DAY_CLIP)
    if len(said) < 2:
        return min(earliest, len(said) - 1)
    day, before, after = _step(said)
    if not must_change and before >= min(-_APART, after - _APART):
        return earliest
    day = max(day, earliest)
    middle = (before + after) / 2
    while day < len(said) - 1 and said[day] < middle:  # days that look right are no part of it
        day += 1
    return day


def _step(said: Float) -> tuple[int, float, float]:
    """Return where two levels fit best, the index of the first after the step, and both levels; of equals the later."""
    count = np.arange(1, len(said))
    before, squares = np.cumsum(said)[:-1], np.sum(said**2)
    after = said.sum() - before
    left = squares - before**2 / count - after**2 / (len(said) - count)
    day = int(np.flatnonzero(left <= left.min() + 1e-9)[-1])
    return day + 1, float(before[day] / count[day]), float(after[day] / (len(said) - count[day]))
