"""A home's loads by leg and bundle, and its panel while they are drawn: which circuit lands where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.faults.circuit import Complex, Float

GROUPS = 6  # leg 1 bundle a, b; leg 2 bundle a, b; between the legs bundle a, b


@dataclass(frozen=True)
class Loads:
    """Loads [W + j var] at one minute, shape (6, n): leg 1 bundle a, b; leg 2 a, b; between the legs a, b."""

    va: Complex

    @classmethod
    def on_service(cls, service: str, va: Complex) -> Loads:
        """Return these loads; on "single", which has no leg 2, leg 1 takes over what was put there."""
        if service == "single":
            va[0:2] += va[2:4]
            va[2:4] = 0.0
        return cls(va)

    def leg(self, leg: int) -> Complex:
        """Return what stands between this leg and neutral [W + j var]."""
        power: Complex = self.va[0] + self.va[1] if leg == 1 else self.va[2] + self.va[3]
        return power

    @property
    def line(self) -> Complex:
        """What stands between the legs [W + j var]."""
        power: Complex = self.va[4] + self.va[5]
        return power

    @property
    def total_w(self) -> Float:
        """What all of it takes [W]."""
        power: Float = self.va.real.sum(axis=0)
        return power


class Panel:
    """Sums of what was put on each leg and bundle, rows as in `Loads`.

    Parameters
    ----------
    steps, rng
        Minutes; the home's random numbers.
    lean, bundle_lean
        Share of circuits on leg 1, and in bundle a.
    night_leg
        The leg of all that lives at night; 0: it goes where other circuits go.
    """

    def __init__(
        self, steps: int, rng: np.random.Generator, *, lean: float, bundle_lean: float, night_leg: int = 0
    ) -> None:
        self.rng = rng
        self.va: Complex = np.zeros((GROUPS, steps), dtype=np.complex128)
        self.lean, self.bundle_lean, self.night_leg = lean, bundle_lean, night_leg

    def circuit(self, volts: int, is_nightly: bool = False) -> int:
        """Return the row of one more circuit of 120 or 240 V."""
        bundle = int(self.rng.random() > self.bundle_lean)
        if volts == 240:
            return 4 + bundle
        leg = 1 if self.rng.random() < self.lean else 2
        if is_nightly and self.night_leg:
            leg = self.night_leg
        return 2 * (leg - 1) + bundle

    def put(
        self, watts: Float | float, tan: float = 0.0, volts: int = 120, *, is_nightly: bool = False
    ) -> None:
        """Add a load on a circuit of its own.

        Parameters
        ----------
        watts
            What it takes [W], shape (n,).
        tan
            Reactive over real power, positive lagging.
        volts
            120 for a leg, 240 between the legs.
        is_nightly
            Whether it lives at night.
        """
        self.va[self.circuit(volts, is_nightly)] += watts * (1 + 1j * tan)

    @property
    def total_w(self) -> Float:
        """What all of it takes [W]."""
        return Loads(self.va).total_w

    def loads(self, service: str) -> Loads:
        """Return what was put on the panel."""
        return Loads.on_service(service, self.va)
