"""The measured household on the service it has, 230 V, and three of it as the lines of a 230/400 V home.

The household near Paris has one line to neutral: its power and its supply voltage are used as they were measured. A
home with three lines takes three years of the same days, a line each, so that lines live independently and each has the
voltage of its own year. The array of `real_homes` feeds all lines.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from typing import Self

import numpy as np
import polars as pl

from pipeline.core.services import service_of
from pipeline.evaluation.validation.real_homes import SLOT_MIN, Window, windows
from pipeline.faults.circuit import Circuit, Complex, Float
from pipeline.simulate.families.measurements import deal

LINE_OHM, NEUTRAL_OHM = 0.06, 0.06  # of each line and of the neutral, transformer to monitor: assumed


@dataclass(frozen=True)
class LinesWindow:
    """A home of a `service` of 230 V: its lines' measured loads [W + j var] and supply [V], shape (lines, n).

    The rest is as in `real_homes.Window`.
    """

    name: str
    start: date
    service: str
    times: pl.Series
    loads_va: Complex
    supply_v: Float
    pv_w: Float

    def with_production(self, pv_w: Float) -> Self:
        """Return it with another production [W]."""
        return replace(self, pv_w=pv_w)

    def circuit(self) -> Circuit:
        """Return the home, each line's voltage sagging with its own current and the neutral's.

        A line's loads leave in two bundles, split by the same rule as the circuits of `real_homes`.
        """
        turns = np.exp(1j * np.deg2rad(np.array(service_of(self.service).degrees)))[:, None]
        supply = self.supply_v * turns
        amps = np.conj((self.loads_va - self.pv_w / len(turns)) / supply)
        volts = np.abs(supply - LINE_OHM * amps - NEUTRAL_OHM * amps.sum(axis=0))
        circuit = Circuit.from_powers(
            self.loads_va, self.pv_w, volts=volts, service=self.service, minutes=SLOT_MIN
        )
        return circuit.with_bundle_shares(np.array([deal(load)[0] / load for load in self.loads_va.real]))


@cache
def windows_on(service: str, start: date) -> tuple[LinesWindow, ...]:
    """Return the homes on this service from `start` (one of STARTS): one a measured year.

    `service` has one line, or three; a home with three begins with its own year.
    """
    years, count = windows(start), service_of(service).line_count
    if len(years) < count:
        return ()
    return tuple(
        _on_lines(service, [years[(first + line) % len(years)] for line in range(count)])
        for first in range(len(years))
    )


def _on_lines(service: str, years: list[Window]) -> LinesWindow:
    """Return the home whose lines are these years' households, in the slots that all of them have."""
    shared = years[0].times
    for year in years[1:]:
        shared = shared.filter(shared.is_in(year.times.implode()))
    kept = [year.times.is_in(shared.implode()).to_numpy() for year in years]
    loads_va = [(year.load_1_va + year.load_2_va)[is_kept] for year, is_kept in zip(years, kept, strict=True)]
    # `Window` has half of the household's supply
    supply_v = [2 * year.supply_v[is_kept] for year, is_kept in zip(years, kept, strict=True)]
    return LinesWindow(
        name=f"{years[0].name}_{len(years)}_line", start=years[0].start, service=service, times=shared,
        loads_va=np.array(loads_va), supply_v=np.array(supply_v), pv_w=years[0].pv_w[kept[0]],
    )  # fmt: skip
