"""Homes, trucks and drive times as arrays: the expected value of a visit, who may go, how long a round takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.settings import Settings
from pipeline.dispatch.travel import Floats, Ints, Travel
from pipeline.dispatch.trucks import Truck

Route = list[int]  # the stops of one truck and day, by index, in order


@dataclass(frozen=True)
class Problem:
    """Stops are 0 .. n-1; the place of truck k's start is n + k.

    `expected_value` of a visit before any driving [currency]; `on_site` [min]; `drive_cost` [currency a minute];
    `serves` (n x trucks) whether the truck goes to that area; `may_go` whether it also gets there, does the
    work and is back within its shift.
    """

    trucks: Sequence[Truck]
    travel: Travel
    expected_value: Floats
    on_site: Ints
    drive_cost: float
    serves: NDArray[np.bool_]
    may_go: NDArray[np.bool_]

    @classmethod
    def of(
        cls, stops: pl.DataFrame, trucks: Sequence[Truck], travel: Travel, *, settings: Settings
    ) -> Problem:
        """Return the problem of a day.

        Parameters
        ----------
        stops, trucks, travel
            As `plan_days` gets them: priority [currency], drive_min and minutes_on_site [min], area.
        settings
            [ranking] labour_rate_h prices an hour of driving.
        """
        drive_cost = settings.ranking.labour_rate_h / 60
        serves = np.array([[truck.serves(area) for truck in trucks] for area in stops["area"]], dtype=bool)
        serves = serves.reshape(stops.height, len(trucks))
        on_site = stops["minutes_on_site"].to_numpy().astype(np.int64)
        homes = np.arange(stops.height)[:, None]
        starts = stops.height + np.arange(len(trucks))[None, :]
        alone = travel.minutes(starts, homes) + on_site[:, None] + travel.minutes(homes, starts)
        shifts = np.array([truck.shift_min for truck in trucks])
        expected_value = stops["priority"].to_numpy() + stops["drive_min"].to_numpy() * drive_cost
        return cls(
            trucks, travel, expected_value, on_site, drive_cost, serves, may_go=serves & (alone <= shifts)
        )

    def start(self, truck: int) -> int:
        """Return the place where this truck starts."""
        return self.expected_value.size + truck

    def places(self, truck: int, route: Route) -> Ints:
        """Return the places of a round in order, the truck's start first and last."""
        return np.array([self.start(truck), *route, self.start(truck)])

    def drives(self, truck: int, route: Route) -> Ints:
        """Return the minutes of each drive of a round: to the first stop, between stops, back to the start."""
        places = self.places(truck, route)
        return self.travel.minutes(places[:-1], places[1:])

    def free_min(self, truck: int, route: Route) -> int:
        """Return what driving and work leave of the truck's shift [min]; negative if the round is too long."""
        return self.trucks[truck].shift_min - int(self.drives(truck, route).sum() + self.on_site[route].sum())

    def added_min(self, truck: int, route: Route, homes: Ints) -> tuple[Ints, Ints]:
        """Return (least minutes of driving that each home adds to the round, position where it adds them)."""
        places = self.places(truck, route)
        here, there = places[:-1, None], places[1:, None]
        added = (
            self.travel.minutes(here, homes[None, :])
            + self.travel.minutes(homes[None, :], there)
            - self.travel.minutes(here, there)
        )
        position = added.argmin(axis=0)
        return added[position, np.arange(homes.size)], position
