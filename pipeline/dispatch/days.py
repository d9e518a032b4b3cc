"""One day's rounds by the routing library pyvrp: the visits of the highest expected value within the trucks' shifts."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
from pyvrp import Client, Depot, Location, ProblemData, Result, VehicleType, solve
from pyvrp.exceptions import PenaltyBoundWarning
from pyvrp.stop import MaxIterations
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from pipeline.core.setting_sections import DispatchSettings
from pipeline.dispatch.problem import Problem, Route
from pipeline.dispatch.travel import UNREACHABLE, Ints

_CENT = 100  # the solver counts in whole hundredths of the currency


def solve_day(problem: Problem, waiting: Ints, settings: DispatchSettings) -> list[Route]:
    """Return one route a truck (empty if it stays), each within the truck's shift, from the homes `waiting`.

    A truck chooses from the [dispatch].homes_per_truck homes of `waiting` that it may go to and that look best for
    it (`_candidates`). Trucks that share no home are solved apart. The solver works up to a number of iterations,
    never by the clock, so the same input gives the same routes.
    """
    candidates = [_candidates(problem, truck, waiting, settings) for truck in range(len(problem.trucks))]
    pool = np.unique(np.concatenate([waiting[:0], *candidates]))
    routes: list[Route] = [[] for _ in problem.trucks]
    if not pool.size:
        return routes
    may_go = csr_array(problem.may_go[pool].astype(np.int64))
    _, group = connected_components(may_go.T @ may_go)
    for number in np.unique(group):
        trucks = np.flatnonzero(group == number)
        homes = pool[problem.may_go[np.ix_(pool, trucks)].any(axis=1)]
        if homes.size:
            for truck, route in zip(trucks, _solve(problem, homes, trucks, settings), strict=True):
                routes[truck] = route
    return routes


def run_solver(data: ProblemData, homes: int, settings: DispatchSettings) -> Result:
    """Return the solver's result on `data` with the settings' seed and iterations, as every day is solved."""
    with warnings.catch_warnings():
        # It says that the search had a hard time; the routes are checked below in any case.
        warnings.simplefilter("ignore", PenaltyBoundWarning)
        stop = MaxIterations(settings.iterations_per_home * homes)
        return solve(data, stop, settings.seed, collect_stats=False, display=False)


def _candidates(problem: Problem, truck: int, waiting: Ints, settings: DispatchSettings) -> Ints:
    """Return the homes of the highest expected value a minute of the truck's day, equal ones as `waiting` has them.

    A home takes its time on site and [dispatch].pool_drive_share of the drive there and back, which a round shares
    among its stops: expected value alone would fill the day with few long jobs far away.
    """
    homes = waiting[problem.may_go[waiting, truck] & (problem.expected_value[waiting] > 0)]
    start = np.array(problem.start(truck))
    drive = problem.travel.minutes(start, homes) + problem.travel.minutes(homes, start)
    minutes = problem.on_site[homes] + settings.pool_drive_share * drive
    order = np.argsort(-problem.expected_value[homes] / np.maximum(minutes, 1), kind="stable")
    best: Ints = homes[order][: settings.homes_per_truck]
    return best


def _solve(problem: Problem, homes: Ints, trucks: Ints, settings: DispatchSettings) -> list[Route]:
    """Return one route for each of `trucks`, which may all be asked to go to some of `homes`.

    A route that the solver left too long (it may, if it found nothing better) is given up; `fill` then makes
    another one.
    """
    places = np.array([*(problem.start(truck) for truck in trucks), *homes])
    minutes = problem.travel.minutes(places[:, None], places[None, :])
    profiles: dict[bytes, int] = {}  # trucks that may go to the same homes share a matrix
    matrices: list[Any] = []  # whole minutes; the library's stub types arrays in a way of its own
    types = []
    for depot, truck in enumerate(trucks):
        may_go = np.concatenate([np.ones(trucks.size, dtype=bool), problem.may_go[homes, truck]])
        if may_go.tobytes() not in profiles:
            profiles[may_go.tobytes()] = len(matrices)
            barred = np.where(may_go[:, None] & may_go[None, :], minutes, UNREACHABLE)
            np.fill_diagonal(barred, 0)
            matrices.append(barred)
        types.append(
            VehicleType(
                start_depot=depot, end_depot=depot, tw_late=problem.trucks[truck].shift_min,
                shift_duration=problem.trucks[truck].shift_min,
                unit_distance_cost=round(problem.drive_cost * _CENT), profile=profiles[may_go.tobytes()],
            )
        )  # fmt: skip
    data = ProblemData(
        locations=[Location(0, 0) for _ in places],
        clients=[
            Client(
                location=location, service_duration=int(problem.on_site[home]), required=False,
                prize=max(1, round(problem.expected_value[home] * _CENT)),
            )
            for location, home in enumerate(homes, start=trucks.size)
        ],
        depots=[Depot(location=depot) for depot in range(trucks.size)],
        vehicle_types=types, distance_matrices=matrices, duration_matrices=matrices,
    )  # fmt: skip
    routes: list[Route] = [[] for _ in trucks]
    for solved in run_solver(data, homes.size, settings).best.routes():
        truck = int(trucks[solved.vehicle_type()])
        route = [int(homes[stop.idx]) for stop in solved if stop.is_client()]
        if problem.may_go[route, truck].all() and problem.free_min(truck, route) >= 0:
            routes[solved.vehicle_type()] = route
    return routes
