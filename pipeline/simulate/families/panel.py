"""A home's panel while its loads are drawn: which leg and bundle each circuit gets, watts and vars summed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.families.loads import GROUPS, Loads

Float = NDArray[np.float64]
EVEN_SHARE, NIGHT_LEG_SHARE = 0.4, 0.12


class Panel:
    """Sums of what was put on each leg and bundle (rows as in Loads), with the home's own leaning.

    Many homes lean far to one leg; in some everything that lives at night is on one.
    """

    def __init__(self, steps: int, rng: np.random.Generator) -> None:
        self.rng = rng
        self.watts: Float = np.zeros((GROUPS, steps))
        self.vars: Float = np.zeros((GROUPS, steps))
        is_even = rng.random() < EVEN_SHARE
        self.lean = float(rng.uniform(0.35, 0.65) if is_even else rng.uniform(0.1, 0.9))
        self.bundle_lean = float(rng.uniform(0.25, 0.75))
        self.night_leg = int(rng.integers(1, 3)) if rng.random() < NIGHT_LEG_SHARE else 0

    def circuit(self, volts: int, is_nightly: bool = False) -> int:
        """Return the row of one more circuit of 120 or 240 V."""
        bundle = int(self.rng.random() > self.bundle_lean)
        if volts == 240:
            return 4 + bundle
        leg = 1 if self.rng.random() < self.lean else 2
        if is_nightly and self.night_leg:
            leg = self.night_leg
        return 2 * (leg - 1) + bundle

    def put(self, watts: Float | float, tan: float = 0.0, volts: int = 120, is_nightly: bool = False) -> None:
        """Add a load [W] with reactive power of `tan` times it, positive lagging, on a circuit of its own."""
        row = self.circuit(volts, is_nightly)
        self.watts[row] += watts
        if tan:
            self.vars[row] += tan * watts

    def total_w(self) -> Float:
        """Return what all of it takes [W]."""
        total: Float = self.watts.sum(axis=0)
        return total

    def loads(self, service: str) -> Loads:
        """Return the loads; a single line has no leg 2."""
        va = self.watts + 1j * self.vars
        if service == "single":
            va[0:2] += va[2:4]
            va[2:4] = 0.0
        return Loads(va)
