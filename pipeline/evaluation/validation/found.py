"""All that the proof scored, by what it is for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.evaluation.validation.fleets import Fleet
from pipeline.evaluation.validation.judged import as_if, pool

# Shares of an ordinary fleet, also what the homes of real measurements are weighted to.
FAULT_SHARE, HARD_SHARE = 0.055, 0.15


@dataclass(frozen=True)
class Found:
    """All scored fleets.

    `ordinary` fleets of every family and season (the first was looked at night by night), `clean` ones without a
    fault, `blind` ones without leg voltages, `real` homes of real measurements with and without leg voltages.
    `visits` is the cut of the first fleet (None: as many as are faulty).
    """

    ordinary: Sequence[Fleet]
    clean: Sequence[Fleet]
    blind: Sequence[Fleet]
    real: Sequence[tuple[str, pl.DataFrame]]
    visits: int | None = None
    seed: int = 1

    @property
    def main(self) -> Fleet:
        """The fleet that was looked at night by night."""
        return self.ordinary[0]

    @property
    def small(self) -> list[tuple[str, pl.DataFrame]]:
        """The small fleets cut from each ordinary fleet that has some, by its label."""
        return [(fleet.label, fleet.small) for fleet in self.ordinary if fleet.small is not None]

    def cut_of(self, homes: int) -> int | None:
        """Return the visits of a fleet of so many homes, in proportion to the first fleet's."""
        return None if self.visits is None else max(1, round(self.visits * homes / self.main.last.height))


def as_ordinary(judged: pl.DataFrame) -> pl.DataFrame:
    """Return the homes weighted as in an ordinary fleet."""
    return as_if(judged, FAULT_SHARE, HARD_SHARE)


def pooled(found: Found) -> pl.DataFrame:
    """Return the homes of all ordinary fleets as one."""
    return pool([fleet.last for fleet in found.ordinary])
