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

from pipeline.probes import names_of
from pipeline.probes.measured import Measured, all_quantities
from pipeline.scoring.normal import Deviations, Normal, spread_column

Float = NDArray[np.float64]
ONCE_IN = 1000.0
MOST_STRENGTH = 2.0  # limits; from there on one number is as plain as another, and the earlier probe speaks


@dataclass(frozen=True)
class Contradiction:
    """What of each of n homes no right install shows: `strength` of each probe's number in limits, (n, probes).

    From 1 on it contradicts; at MOST_STRENGTH none is plainer.
    """

    strength: Float

    @property
    def probe(self) -> NDArray[np.int64]:
        """The plainest one's probe, (n,); of equals the first of the catalogue, -1: none."""
        return np.where(self.is_there, self.strength.argmax(axis=1), -1)

    @property
    def is_there(self) -> NDArray[np.bool_]:
        """Whether a home has one, (n,)."""
        return np.asarray((self.strength > 1).any(axis=1))


def contradictions(
    measured: Measured, deviations: Deviations, normal: Normal, *, signals: pl.DataFrame
) -> Contradiction:
    """Return what of each home contradicts a right install.

    What a battery does that nobody reports moves the readings by sun and by night: there those probes are silent.

    Parameters
    ----------
    measured, deviations, signals
        Quantities of n homes, how far they lie from what is normal, and their rows of table site_signal.
    normal
        What is normal in their fleet.
    """
    names = names_of(measured.line_count)
    deciding = [
        (key, probe, q) for key, probe, q in all_quantities(measured.line_count) if q.decides is not None
    ]
    limit_z = float(ndtri(1 - 0.5 / ONCE_IN / (2 * len(deciding))))
    is_hidden = signals["is_battery_hidden"].fill_null(False).to_numpy()
    strength = np.zeros((measured.size, len(names)))
    for key, probe, quantity in deciding:
        right = measured.rights.get(key, np.zeros(measured.size))[:, None]
        limit = limit_z * spread_column(measured, normal, key, name="tail", otherwise=1.0)
        limits = np.minimum(
            np.abs(deviations.spread[key]) / limit[:, None],
            np.abs(measured.values[key] - right) / quantity.decides,
        )
        if probe != "meter":
            limits[is_hidden] = np.nan
        largest = np.minimum(np.nan_to_num(limits).max(axis=1), MOST_STRENGTH)
        column = names.index(probe)
        strength[:, column] = np.maximum(strength[:, column], largest)
    return Contradiction(strength)
