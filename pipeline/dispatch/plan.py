"""The plan: days on the road with clock times, and every unscheduled home with the reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.errors import NightFailed
from pipeline.core.settings import Settings
from pipeline.dispatch.days import solve_day
from pipeline.dispatch.insertion import Round, fill, find_reasons
from pipeline.dispatch.problem import Problem
from pipeline.dispatch.travel import Travel
from pipeline.dispatch.trucks import Truck, clock

# Where minutes on the road come from; what is neither all supplied nor all estimated is "partly estimated".
SUPPLIED, ESTIMATED = "supplied", "estimated"

STOPS = pl.Schema(
    {
        "rank": pl.Int64, "site_id": pl.String, "area": pl.String, "likelihood": pl.Float64,
        "suspected_fault": pl.String, "leg": pl.String, "bring": pl.String, "minutes_on_site": pl.Int64,
        "priority": pl.Float64, "drive_min": pl.Float64, "latitude": pl.Float64, "longitude": pl.Float64,
        "fault_likelihood": pl.Float64,
    }
)  # fmt: skip
DISPATCH = pl.Schema(
    {
        "day": pl.Date, "truck_id": pl.String, "stop": pl.Int64, "site_id": pl.String, "area": pl.String,
        "arrive_at": pl.String, "leave_at": pl.String, "drive_min": pl.Int64, "drive_km": pl.Float64,
        "drive_from": pl.String, "minutes_on_site": pl.Int64, "suspected_fault": pl.String, "leg": pl.String,
        "likelihood": pl.Float64, "priority": pl.Float64, "bring": pl.String, "fault_likelihood": pl.Float64,
    }
)  # fmt: skip
TRUCK_DAYS = pl.Schema(
    {
        "day": pl.Date, "truck_id": pl.String, "stops": pl.Int64, "start_at": pl.String, "back_at": pl.String,
        "end_at": pl.String, "drive_min": pl.Int64, "drive_km": pl.Float64, "minutes_on_site": pl.Int64,
        "free_min": pl.Int64, "back_drive_min": pl.Int64, "worth": pl.Float64, "drive_from": pl.String,
        "back_drive_from": pl.String,
    }
)  # fmt: skip
UNDISPATCHED = pl.Schema(
    {
        "site_id": pl.String, "area": pl.String, "rank": pl.Int64, "priority": pl.Float64, "reason": pl.String,
        "why": pl.String, "needs_min": pl.Int64,
    }
)  # fmt: skip


@dataclass(frozen=True)
class DispatchPlan:
    """The days, sorted by day and truck, and the unscheduled homes, in the order of the list.

    `dispatch` (DISPATCH) has one row a stop: `stop` counts from 1 a truck and day; `drive_min` [min] and `drive_km`
    [km, an estimate; null where minutes were supplied] lead to this stop. `truck_days` (TRUCK_DAYS) has one row a
    truck and day with stops; `drive_min` is all driving, the way back included; `worth` [currency] is the expected
    value of the visits less the drive. `drive_from` says whether the minutes were supplied or estimated.
    `undispatched` (UNDISPATCHED): `needs_min` are the least minutes the home would have needed of a shift, null where
    no truck can go.
    """

    dispatch: pl.DataFrame
    truck_days: pl.DataFrame
    undispatched: pl.DataFrame


def plan_days(
    stops: pl.DataFrame,
    trucks: Sequence[Truck],
    travel: Travel,
    *,
    days: Sequence[date],
    settings: Settings,
) -> DispatchPlan:
    """Return the plan of the `days`, one after another, so that the first has the best of the list.

    Parameters
    ----------
    stops
        STOPS, one row a home that needs a visit; `area`, `latitude`, `longitude` may be null.
    trucks
        The trucks of every day.
    travel
        Drive times between the rows of `stops` in their order, followed by the `trucks` in theirs.
    days
        Dates in order.
    settings
        [dispatch] bounds and seeds the solver; [ranking] prices an hour of driving.

    Raises
    ------
    NightFailed
        A round came out longer than its truck's shift: a defect, nothing may be published.
    """
    problem = Problem.of(stops, trucks, travel, settings=settings)
    waiting = np.arange(stops.height)
    rounds: list[Round] = []
    for day in range(len(days)):
        routes = solve_day(problem, waiting, settings.dispatch)
        fill(problem, routes, waiting)
        rounds += [Round(day, truck, route) for truck, route in enumerate(routes)]
        waiting = np.setdiff1d(waiting, [home for route in routes for home in route])
    homes = stops.rows(named=True)
    rows, totals = [], []
    for trip in rounds:
        if trip.route:
            stop_rows, total = _time_round(problem, days[trip.day], trip, homes)
            rows += stop_rows
            totals.append(total)
    reasons = find_reasons(problem, rounds, waiting)
    undispatched = [homes[home] | reason._asdict() for home, reason in zip(waiting, reasons, strict=True)]
    return DispatchPlan(
        _frame(rows, DISPATCH), _frame(totals, TRUCK_DAYS), _frame(undispatched, UNDISPATCHED)
    )


def _time_round(
    problem: Problem, day: date, trip: Round, homes: Sequence[dict[str, Any]]
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Return the rows of one round (DISPATCH) and its total (TRUCK_DAYS), timed by the very minutes they show."""
    truck = problem.trucks[trip.truck]
    drives, places = problem.drives(trip.truck, trip.route), problem.places(trip.truck, trip.route)
    is_supplied = problem.travel.is_supplied(places[:-1], places[1:])
    km = problem.travel.km(places[:-1], places[1:])
    now = truck.start_min
    rows = []
    for index, home in enumerate(trip.route):
        arrive = now + int(drives[index])
        now = arrive + int(problem.on_site[home])
        rows.append({
            **homes[home], "day": day, "truck_id": truck.truck_id, "stop": index + 1,
            "arrive_at": clock(arrive), "leave_at": clock(now), "drive_min": int(drives[index]),
            "drive_km": None if is_supplied[index] else round(float(km[index]), 1),
            "drive_from": SUPPLIED if is_supplied[index] else ESTIMATED,
        })  # fmt: skip
    back = now + int(drives[-1])
    end = truck.start_min + truck.shift_min
    if back > end:
        raise NightFailed(
            f"truck {truck.truck_id} on {day} would be back at {clock(back)}, after its shift; a defect"
        )
    value = problem.expected_value[trip.route].sum() - problem.drive_cost * drives.sum()
    return rows, {
        "day": day, "truck_id": truck.truck_id, "stops": len(rows), "start_at": clock(truck.start_min),
        "back_at": clock(back), "end_at": clock(end), "drive_min": int(drives.sum()),
        "drive_km": None if is_supplied.any() else round(float(km.sum()), 1),
        "minutes_on_site": int(problem.on_site[trip.route].sum()), "free_min": end - back,
        "back_drive_min": int(drives[-1]), "worth": round(float(value), 2),
        "drive_from": SUPPLIED if is_supplied.all() else "partly estimated" if is_supplied.any() else ESTIMATED,
        "back_drive_from": SUPPLIED if is_supplied[-1] else ESTIMATED,
    }  # fmt: skip


def _frame(rows: list[dict[str, Any]], schema: pl.Schema) -> pl.DataFrame:
    return pl.DataFrame([[row[name] for name in schema] for row in rows], schema=schema, orient="row")
