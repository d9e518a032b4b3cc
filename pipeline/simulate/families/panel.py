"""A home's loads by line and bundle, and its panel while they are drawn: which circuit lands where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.core.services import UNKNOWN, service_of
from pipeline.faults.circuit import Complex, Float
from pipeline.simulate.connections import connections, drawn_lines, loads_by_line, merge_lines, row_of
from pipeline.simulate.service_draws import draw_line_shares, draw_load_lines


def count_rows(service: str) -> int:
    """Return how many rows a service's loads have: two bundles a connection."""
    return 2 * len(connections(service))


@dataclass(frozen=True)
class Loads:
    """Loads [W + j var] at one minute, shape (rows, n), in the rows of `simulate.connections`.

    Two legs have six: leg 1 bundle a, b; leg 2 a, b; between the legs a, b.
    """

    va: Complex
    service: str = UNKNOWN

    @classmethod
    def on_service(cls, service: str, va: Complex) -> Loads:
        """Return these loads; where there is one line, it takes over what was put on a second."""
        if service_of(service).line_count == 1:
            va[0:2] += va[2:4]
            va[2:4] = 0.0
        return cls(va, service)

    def leg(self, leg: int) -> Complex:
        """Return what stands between this line and neutral [W + j var]."""
        power: Complex = self.va[2 * leg - 2] + self.va[2 * leg - 1]
        return power

    @property
    def line(self) -> Complex:
        """What stands between two legs [W + j var]."""
        power: Complex = self.va[4] + self.va[5]
        return power

    @property
    def total_w(self) -> Float:
        """What all of it takes [W]."""
        power: Float = self.va.real.sum(axis=0)
        return power

    def by_line(self, volts: Float | float) -> Complex:
        """Return what each line's bundles take [W + j var], shape (lines, 2, n); volts as in `loads_by_line`."""
        return merge_lines(self.service, loads_by_line(self.service, self.va, volts))


class Panel:
    """Sums of what was put on each line and bundle, rows as in `Loads`.

    Parameters
    ----------
    steps, rng
        Minutes; the home's random numbers.
    lean, bundle_lean
        Share of circuits on leg 1, and in bundle a. Three lines draw their own shares.
    night_leg
        The leg of all that lives at night; 0: it goes where other circuits go.
    service
        Of the home.
    """

    def __init__(
        self,
        steps: int,
        rng: np.random.Generator,
        *,
        lean: float,
        bundle_lean: float,
        night_leg: int = 0,
        service: str = UNKNOWN,
    ) -> None:
        self.rng = rng
        self.service = service
        self.va: Complex = np.zeros((count_rows(service), steps), dtype=np.complex128)
        self.bundle_lean, self.night_leg = bundle_lean, night_leg
        shares = draw_line_shares(rng) if drawn_lines(service) == 3 else (lean, 1 - lean)
        self.bounds = np.cumsum(shares[:-1])

    def circuit(self, volts: int, is_nightly: bool = False) -> int:
        """Return the row of one more circuit: of 120 V on a line, of 240 V between two legs, or on some of three."""
        bundle = int(self.rng.random() > self.bundle_lean)
        if volts == 240:
            lines: tuple[int, ...] = (1, 2)
            if drawn_lines(self.service) == 3:
                lines = draw_load_lines(self.service, "", self.rng)
            return row_of(self.service, lines, bundle)
        line = 1 + int((self.rng.random() >= self.bounds).sum())
        if is_nightly and self.night_leg:
            line = self.night_leg
        return row_of(self.service, (line,), bundle)

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

    def loads(self) -> Loads:
        """Return what was put on the panel."""
        return Loads.on_service(self.service, self.va)
