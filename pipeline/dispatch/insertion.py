"""What still fits into a day that is planned, and why the rest does not."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.dispatch.problem import Problem, Route
from pipeline.dispatch.travel import UNREACHABLE, Whole


class Why(NamedTuple):
    """Why a home is on no day: a code, the words, and the least minutes it would have needed (None: unknown)."""

    reason: str
    words: str
    needs_min: int | None


class Round(NamedTuple):
    """One truck on one day, with its stops."""

    day: int
    truck: int
    route: Route


def fill(problem: Problem, routes: Sequence[Route], left: Whole) -> None:
    """Add to `routes` (one a truck, changed in place) what of `left` still fits and is worth the way.

    The home with the most worth after its added drive comes first, at the place where it adds the least;
    of equal ones the first of `left`.
    """
    while True:
        best: tuple[float, int, int, int] | None = None
        waiting = np.setdiff1d(left, [home for route in routes for home in route], assume_unique=True)
        waiting = left[np.isin(left, waiting)]
        for truck, route in enumerate(routes):
            homes = waiting[problem.may_go[waiting, truck]]
            if not homes.size:
                continue
            added, at = problem.added_min(truck, route, homes)
            gain = problem.worth[homes] - problem.drive_cost * added
            gain[added + problem.on_site[homes] > problem.free_min(truck, route)] = -np.inf
            top = int(gain.argmax())
            if gain[top] > 0 and (best is None or gain[top] > best[0]):
                best = float(gain[top]), truck, int(at[top]), int(homes[top])
        if best is None:
            return
        _, truck, place, home = best
        routes[truck].insert(place, home)


def why_left(problem: Problem, rounds: Sequence[Round], left: Whole, has_place: np.ndarray) -> list[Why]:
    """Return why each home of `left` is on none of the `rounds`; `has_place` (n) tells who has coordinates."""
    needs, free = _tightest(problem, rounds, left)
    return [
        _why(problem, int(home), bool(has_place[home]), int(need), int(rest))
        for home, need, rest in zip(left, needs, free, strict=True)
    ]


def _tightest(problem: Problem, rounds: Sequence[Round], left: Whole) -> tuple[Whole, Whole]:
    """Return (minutes needed, minutes free) of each home where it comes closest to fitting."""
    needs = np.full(left.size, UNREACHABLE)
    free = np.zeros(left.size, dtype=np.int64)
    for _, truck, route in rounds:
        added, _ = problem.added_min(truck, route, left)
        need = added + problem.on_site[left]
        rest = problem.free_min(truck, route)
        nearer = problem.may_go[left, truck] & (rest - need > free - needs)
        needs[nearer], free[nearer] = need[nearer], rest
    return needs, free


def _why(problem: Problem, home: int, has_place: bool, need: int, free: int) -> Why:
    trucks = np.arange(len(problem.trucks))
    starts = problem.worth.size + trucks
    way = problem.travel.minutes(starts, np.array(home)) + problem.travel.minutes(np.array(home), starts)
    on_site = int(problem.on_site[home])
    if not has_place and way.min() >= UNREACHABLE:
        return Why("no_coordinates", "the register has no coordinates and no drive time is given", None)
    if not problem.serves[home].any():
        return Why("no_truck", "no truck serves its area", None)
    if not problem.may_go[home].any():
        serving = trucks[problem.serves[home]]
        nearest = serving[(way[serving] - [problem.trucks[truck].shift_min for truck in serving]).argmin()]
        shift = problem.trucks[nearest].shift_min
        if way[nearest] >= UNREACHABLE:
            return Why("no_coordinates", "no truck that serves its area has a known way there", None)
        alone = int(way[nearest]) + on_site
        words = (
            f"too far: {way[nearest]} min there and back and {on_site} min on site, a shift has {shift} min"
        )
        return Why("too_far", words, alone)
    if problem.worth[home] <= 0:
        words = (
            f"worth {_money(problem.worth[home])} before any drive, at the likelihood and energy it has now"
        )
        return Why("not_worth_the_drive", words, need)
    if need <= free:
        drive = need - on_site
        words = (
            f"worth {_money(problem.worth[home])}, less than its drive: {drive} min more on the road cost "
            f"{_money(problem.drive_cost * drive)}"
        )
        return Why("not_worth_the_drive", words, need)
    words = (
        f"all days full: it needs {need} min ({need - on_site} min more driving, {on_site} min on site), "
        f"{free} min are left where it comes closest"
    )
    return Why("days_full", words, need)


def _money(value: float) -> str:
    return f"{value:.2f}".replace("-", "−")
