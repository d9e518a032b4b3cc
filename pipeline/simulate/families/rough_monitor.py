"""Monitors of family "weather": coarser, noisier, and with a production channel of its own.

Beside class errors of the clamps: production may read a few per cent off, or be taken a part of an interval
later than the legs; a monitor may look only now and then within an interval, each channel at its own moments.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.faults.clamps import Reading
from pipeline.simulate.families.logger import Manners

Float = NDArray[np.float64]
LATE_SHARE, LATE = 0.15, (0.15, 0.9)
PRODUCTION_MOST = 0.04
SCANS_SHARE, SCAN_MIN = 0.2, (2, 3, 5)
NOISE_W, NOISE_SHARE = (0.3, 8.0), (0.001, 0.01)
WATTS, VOLTS = (0.1, 1.0, 5.0, 10.0), (0.01, 0.1, 0.5, 1.0)


@dataclass(frozen=True)
class Monitor:
    """How a monitor takes readings: production's gain and lateness [intervals], minutes between its looks."""

    manners: Manners
    gain: float = 1.0
    late: float = 0.0
    looks: tuple[int, int, int] = (0, 0, 0)  # first look of leg 1, leg 2 and production
    every_min: int = 1

    @classmethod
    def draw(cls, rng: np.random.Generator, minutes: int) -> Monitor:
        """Draw a monitor for intervals of so many minutes."""
        manners = Manners(
            noise_w=float(np.exp(rng.uniform(*np.log(NOISE_W)))),
            watt=float(rng.choice(WATTS, p=[0.25, 0.45, 0.15, 0.15])),
            volt=float(rng.choice(VOLTS, p=[0.25, 0.4, 0.15, 0.2])),
            share=float(rng.uniform(*NOISE_SHARE)),
        )
        gain = 1 + rng.uniform(0, PRODUCTION_MOST) * (1 if rng.random() < 0.5 else -1)
        late = float(rng.uniform(*LATE)) * (rng.random() < LATE_SHARE)
        every = int(rng.choice(SCAN_MIN)) if rng.random() < SCANS_SHARE and minutes >= 15 else 1
        one, two, made = (int(rng.integers(every)) for _ in range(3))
        return cls(manners, gain, late, (one, two, made), every)

    def averaged(self, reading: Reading, minutes: int) -> Reading:
        """Return the means an interval of what it saw."""
        made = self.gain * _later(reading.produced_w, self.late * minutes)
        if self.every_min == 1 or minutes % self.every_min:
            return replace(reading, produced_w=made).averaged(minutes)
        one, two, at = self.looks
        seen = replace(
            reading,
            l1_va=reading.l1_va[one :: self.every_min],
            l2_va=reading.l2_va[two :: self.every_min],
            produced_w=made[at :: self.every_min],
        )
        return seen.averaged(minutes // self.every_min)


def _later(values: Float, by_min: float) -> Float:
    """Return the series so many minutes later, its first value held before."""
    if not by_min:
        return values
    at = np.arange(values.size) - by_min
    late: Float = np.interp(at, np.arange(values.size), values)
    return late
