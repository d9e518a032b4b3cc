"""One day's rounds by the routing library pyvrp: the homes most worth their drive within the trucks' shifts."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from typing import Any

import numpy as np
from pyvrp import Client, Depot, Location, ProblemData, Result, VehicleType, solve
from pyvrp.exceptions import PenaltyBoundWarning
from pyvrp.stop import MaxIterations
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from pipeline.core.setting_sections import DispatchSettings
from pipeline.dispatch.problem import Problem, Route
from pipeline.dispatch.travel import UNREACHABLE, Whole

_CENT = 100  # the solver counts in whole hundredths of the currency


def solve_day(problem: Problem, left: Whole, own: DispatchSettings) -> list[Route]:
    """Return one route a truck (empty if it stays), each within the truck's shift, from the homes `left`.

    A truck chooses from the [dispatch].homes_per_truck homes of `left` that it may go to and that look best for
    it (`_choice`). Trucks that share no home are solved apart. The solver works up to a number of iterations,
    never by the clock, so the same input gives the same routes.
    """
    choices = [_choice(problem, truck, left, own) for truck in range(len(problem.trucks))]
    pool = np.unique(np.concatenate([left[:0], *choices]))
    routes: list[Route] = [[] for _ in problem.trucks]
    if not pool.size:
        return routes
    share = csr_array(problem.may_go[pool].astype(np.int64))
    _, group = connected_components(share.T @ share)
    for number in np.unique(group):
        trucks = np.flatnonzero(group == number)
        homes = pool[problem.may_go[np.ix_(pool, trucks)].any(axis=1)]
        if homes.size:
            for truck, route in zip(trucks, _solve(problem, homes, trucks, own), strict=True):
                routes[truck] = route
    return routes


def _choice(problem: Problem, truck: int, left: Whole, own: DispatchSettings) -> Whole:
    """Return the homes worth most a minute of the truck's day, best first, equal ones in the order of `left`.

    A home takes its time on site and [dispatch].pool_drive_share of the drive there and back, which a round shares
    among its stops: worth alone would fill the day with few long jobs far away.
    """
    homes = left[problem.may_go[left, truck] & (problem.worth[left] > 0)]
    start = np.array(problem.start(truck))
    way = problem.travel.minutes(start, homes) + problem.travel.minutes(homes, start)
    takes = problem.on_site[homes] + own.pool_drive_share * way
    order = np.argsort(-problem.worth[homes] / np.maximum(takes, 1), kind="stable")
    best: Whole = homes[order][: own.homes_per_truck]
    return best


def run_solver(data: ProblemData, homes: int, own: DispatchSettings) -> Result:
    """Return the solver's result on `data` with the settings' seed and iterations, as every day is solved."""
    with warnings.catch_warnings():
        # It says that the search had a hard time; what it found is checked by us in any case.
        warnings.simplefilter("ignore", PenaltyBoundWarning)
        stop = MaxIterations(own.iterations_per_home * homes)
        return solve(data, stop, own.seed, collect_stats=False, display=False)


def _solve(problem: Problem, homes: Whole, trucks: Whole, own: DispatchSettings) -> list[Route]:
    """Return one route for each of `trucks`, which may all be asked to go to some of `homes`."""
    places = np.array([*(problem.start(truck) for truck in trucks), *homes])
    minutes = problem.travel.minutes(places[:, None], places[None, :])
    kinds: dict[bytes, int] = {}  # trucks that may go to the same homes share a matrix
    matrices: list[Any] = []  # whole minutes; the library's stub types arrays in a way of its own
    types = []
    for at, truck in enumerate(trucks):
        may_go = problem.may_go[homes, truck]
        kind = may_go.tobytes()
        if kind not in kinds:
            kinds[kind] = len(matrices)
            matrices.append(_barred(minutes, np.concatenate([np.ones(trucks.size, dtype=bool), may_go])))
        types.append(
            VehicleType(
                start_depot=at, end_depot=at, tw_late=problem.trucks[truck].shift_min,
                shift_duration=problem.trucks[truck].shift_min,
                unit_distance_cost=round(problem.drive_cost * _CENT), profile=kinds[kind],
            )
        )  # fmt: skip
    data = ProblemData(
        locations=[Location(0, 0) for _ in places],
        clients=[
            Client(
                location=trucks.size + at, service_duration=int(problem.on_site[home]), required=False,
                prize=max(1, round(problem.worth[home] * _CENT)),
            )
            for at, home in enumerate(homes)
        ],
        depots=[Depot(location=at) for at in range(trucks.size)],
        vehicle_types=types, distance_matrices=matrices, duration_matrices=matrices,
    )  # fmt: skip
    best = run_solver(data, homes.size, own).best
    found: dict[int, Route] = {
        route.vehicle_type(): [int(homes[stop.idx]) for stop in route if stop.is_client()]
        for route in best.routes()
    }
    routes = [found.get(at, []) for at in range(trucks.size)]
    return [
        route if _holds(problem, truck, route) else [] for truck, route in zip(trucks, routes, strict=True)
    ]


def _barred(minutes: Whole, may_go: np.ndarray) -> Whole:
    """Return the matrix with every way to and from places the truck may not go to made endless."""
    barred = np.where(may_go[:, None] & may_go[None, :], minutes, UNREACHABLE)
    np.fill_diagonal(barred, 0)
    return barred


def _holds(problem: Problem, truck: int, route: Sequence[int]) -> bool:
    """Whether the truck may go to each stop of the route and is back in time.

    A route that the solver left too long (it may, if it found nothing better) is given up; `fill` then makes
    another one.
    """
    return bool(problem.may_go[list(route), truck].all()) and problem.free_min(truck, list(route)) >= 0
