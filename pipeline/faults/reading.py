"""What a monitor measured, and the columns as its source reports them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.faults.circuit import Complex, Float


@dataclass(frozen=True)
class Reading:
    """What the monitor measured, before the source's own bookkeeping.

    `va` complex power of the consumption channels [W + j var], shape (lines, n), one row where the monitor sums them;
    `produced_w` [W] of the production channel, shape (n,). The properties are the columns as reported: with production
    added back where the source does that (`added_share` of it on each leg), then cut off at 0 where it clips; NaN for
    a line that there isn't.
    """

    va: Complex
    produced_w: Float
    added_share: float = 0.0
    is_clipped: bool = False

    @property
    def line_count(self) -> int:
        """How many consumption channels it reports."""
        return int(self.va.shape[0])

    def line_w(self, line: int) -> Float:
        """Return the reported real power [W] of a line (1 to 3), shape (n,)."""
        power: Float = self._line_va(line).real + self.added_share * self.produced_w
        return np.maximum(power, 0.0) if self.is_clipped else power

    def line_var(self, line: int) -> Float:
        """Return the reactive power [var] of a line (1 to 3), positive lagging, shape (n,)."""
        reactive: Float = self._line_va(line).imag
        return reactive

    def _line_va(self, line: int) -> Complex:
        if line <= self.line_count:
            power: Complex = self.va[line - 1]
            return power
        absent: Complex = np.full(self.va.shape[1], complex(np.nan, np.nan))
        return absent

    @property
    def l1_w(self) -> Float:
        """Reported real power of channel L1 [W]."""
        return self.line_w(1)

    @property
    def l2_w(self) -> Float:
        """Reported real power of channel L2 [W]."""
        return self.line_w(2)

    @property
    def l3_w(self) -> Float:
        """Reported real power of channel L3 [W]."""
        return self.line_w(3)

    @property
    def l1_var(self) -> Float:
        """Reactive power of channel L1 [var], positive lagging."""
        return self.line_var(1)

    @property
    def l2_var(self) -> Float:
        """Reactive power of channel L2 [var], positive lagging."""
        return self.line_var(2)

    @property
    def l3_var(self) -> Float:
        """Reactive power of channel L3 [var], positive lagging."""
        return self.line_var(3)

    @property
    def pv_w(self) -> Float:
        """Reported production [W]."""
        return self.produced_w

    def averaged(self, steps: int) -> Reading:
        """Return the means of every `steps` steps; n must be a multiple of it."""
        if steps == 1:
            return self
        va = self.va.reshape(self.line_count, -1, steps).mean(axis=2)
        return replace(self, va=va, produced_w=self.produced_w.reshape(-1, steps).mean(axis=1))

    def then(self, later: Reading, start: int) -> Reading:
        """Return this reading up to step `start` and `later` from there on (a fault that starts then)."""
        return replace(
            later,
            va=np.concatenate([self.va[:, :start], later.va[:, start:]], axis=1),
            produced_w=np.concatenate([self.produced_w[:start], later.produced_w[start:]]),
        )
