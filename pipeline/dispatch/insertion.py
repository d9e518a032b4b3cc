"""What still fits into a planned day, and why the rest is unscheduled."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.dispatch.problem import Problem, Route
from pipeline.dispatch.travel import UNREACHABLE, Ints


class Reason(NamedTuple):
    """Why a home is unscheduled: a code, the sentence, and the least minutes it would have needed (None: unknown)."""

    reason: str
    why: str
    needs_min: int | None


class Round(NamedTuple):
    """One truck on one day, with its stops."""

    day: int
    truck: int
    route: Route


def fill(problem: Problem, routes: Sequence[Route], waiting: Ints) -> None:
    """Add to `routes` (one a truck, changed in place) what of `waiting` still fits and pays for its drive.

    The home of the highest expected value after its added drive comes first, at the place where it adds the least;
    of equal ones the first of `waiting`.
    """
    while True:
        best: tuple[float, int, int, int] | None = None
        waiting = waiting[~np.isin(waiting, [home for route in routes for home in route])]
        for truck, route in enumerate(routes):
            homes = waiting[problem.may_go[waiting, truck]]
            if not homes.size:
                continue
            added, position = problem.added_min(truck, route, homes)
            gain = problem.expected_value[homes] - problem.drive_cost * added
            gain[added + problem.on_site[homes] > problem.free_min(truck, route)] = -np.inf
            top = int(gain.argmax())
            if gain[top] > 0 and (best is None or gain[top] > best[0]):
                best = float(gain[top]), truck, int(position[top]), int(homes[top])
        if best is None:
            return
        _, truck, place, home = best
        routes[truck].insert(place, home)


def find_reasons(problem: Problem, rounds: Sequence[Round], waiting: Ints) -> list[Reason]:
    """Return why each home of `waiting` is unscheduled after the `rounds` of all days."""
    needs = np.full(waiting.size, UNREACHABLE)
    free = np.zeros(waiting.size, dtype=np.int64)
    for _, truck, route in rounds:  # the round where a home comes closest to fitting
        added, _ = problem.added_min(truck, route, waiting)
        need = added + problem.on_site[waiting]
        left = problem.free_min(truck, route)
        is_nearer = problem.may_go[waiting, truck] & (left - need > free - needs)
        needs[is_nearer], free[is_nearer] = need[is_nearer], left
    return [
        _find_reason(problem, int(home), int(need), int(left))
        for home, need, left in zip(waiting, needs, free, strict=True)
    ]


def _find_reason(problem: Problem, home: int, need: int, free: int) -> Reason:
    starts = problem.expected_value.size + np.arange(len(problem.trucks))
    drive = problem.travel.minutes(starts, np.array(home)) + problem.travel.minutes(np.array(home), starts)
    on_site, value = int(problem.on_site[home]), _money(problem.expected_value[home])
    latitude, longitude = problem.travel.latitude[home], problem.travel.longitude[home]
    if np.isnan(latitude + longitude) and drive.min() >= UNREACHABLE:
        return Reason(
            "no_coordinates", "the site record has no coordinates and no drive time is supplied", None
        )
    if not problem.serves[home].any():
        return Reason("no_truck", "no truck serves its area", None)
    if not problem.may_go[home].any():
        shifts = np.array([truck.shift_min for truck in problem.trucks])
        nearest = np.where(problem.serves[home], drive - shifts, np.inf).argmin()
        there_and_back = int(drive[nearest])
        if there_and_back >= UNREACHABLE:
            return Reason(
                "no_coordinates", "no drive time is known from any truck that serves its area", None
            )
        why = (
            f"too far: {there_and_back} min there and back and {on_site} min on site, "
            f"more than a shift of {shifts[nearest]} min"
        )
        return Reason("too_far", why, there_and_back + on_site)
    if problem.expected_value[home] <= 0:
        why = f"expected value {value} before any drive, at its present likelihood and energy"
        return Reason("not_worth_the_drive", why, need)
    if need <= free:
        cost = _money(problem.drive_cost * (need - on_site))
        why = (
            f"expected value {value}, less than its drive: {need - on_site} min more on the road cost {cost}"
        )
        return Reason("not_worth_the_drive", why, need)
    why = (
        f"every day is full: it needs {need} min ({need - on_site} min more driving, {on_site} min on site); "
        f"the day where it comes closest has {free} min left"
    )
    return Reason("days_full", why, need)


def _money(value: float) -> str:
    return f"{value:.2f}".replace("-", "−")
