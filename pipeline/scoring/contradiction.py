"""Numbers that no right install of this fleet shows: what an electrician sees at a glance is never called sound.

A quantity with a `decides` contradicts where it lies farther from right than that, and farther from the fleet's own
centre than its right homes do once in a thousand, all deciding quantities of a home together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtri

from pipeline.probes import NAMES
from pipeline.probes.measured import STRATA, Measured, all_quantities
from pipeline.scoring.normal import Deviations, Normal

Float = NDArray[np.float64]
ONCE_IN = 1000.0
PLAIN = 2.0  # limits; from there on one number is as plain as another, and the earlier probe speaks


@dataclass(frozen=True)
class Contradiction:
    """What of each of n homes no right install shows: `strength` of each probe's number in limits, (n, probes).

    From 1 on it contradicts; from PLAIN on none is plainer.
    """

    strength: Float

    @property
    def probe(self) -> NDArray[np.int64]:
        """The plainest one's probe, (n,); of equals the first of the catalogue, -1: none."""
        found: NDArray[np.int64] = np.where(self.is_there, self.strength.argmax(axis=1), -1)
        return found

    @property
    def is_there(self) -> NDArray[np.bool_]:
        """Whether a home has one, (n,)."""
        found: NDArray[np.bool_] = np.any(self.strength > 1, axis=1)
        return found


def contradictions(
    measured: Measured, moved: Deviations, normal: Normal, signals: pl.DataFrame
) -> Contradiction:
    """Return what of each home contradicts a right install.

    What a battery does that nobody reports moves the readings by sun and by night: there those probes are silent.
    """
    deciding = [(key, probe, q) for key, probe, q in all_quantities() if q.decides is not None]
    limit_z = float(ndtri(1 - 0.5 / ONCE_IN / (2 * len(deciding))))
    is_silent = signals.select(pl.col("is_battery_hidden").fill_null(False))["is_battery_hidden"].to_numpy()
    strength = np.zeros((measured.size, len(NAMES)))
    for key, probe, quantity in deciding:
        value = measured.values[key]
        right = measured.rights.get(key, np.zeros(measured.size))[:, None]
        tail = np.ones(measured.size)
        for at, name in enumerate(STRATA):
            if (key, name) in normal:
                tail[measured.stratum == at] = normal[key, name].tail
        over = np.minimum(
            np.abs(moved.spread[key]) / (limit_z * tail[:, None]), np.abs(value - right) / quantity.decides
        )
        if probe != "meter":
            over[is_silent] = np.nan
        most = np.minimum(np.nanmax(np.where(np.isnan(over), 0.0, over), axis=1), PLAIN)
        place = NAMES.index(probe)
        strength[:, place] = np.maximum(strength[:, place], most)
    return Contradiction(strength)
