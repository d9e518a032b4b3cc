"""A plan keeps to hours and areas, has the better home first, and a reason for every unscheduled home."""

from datetime import timedelta
from itertools import permutations

import numpy as np
import polars as pl
import pytest
from dispatch_homes import MONDAY, START, plan, settings, stops, truck, why
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from pipeline.core.errors import NightFailed
from pipeline.dispatch.days import solve_day
from pipeline.dispatch.insertion import Round
from pipeline.dispatch.plan import DISPATCH, TRUCK_DAYS, UNDISPATCHED, _time_round
from pipeline.dispatch.problem import Problem
from pipeline.dispatch.travel import Travel

FAR = {"latitude": START[0] + 3}  # 334 km away, over 9 h of driving
place = st.one_of(
    st.none(), st.tuples(st.floats(START[0] - 1, START[0] + 1), st.floats(START[1] - 1, START[1] + 1))
)
home = st.builds(
    lambda at, area, minutes, priority: {
        "latitude": at and at[0], "longitude": at and at[1], "area": area, "minutes_on_site": minutes,
        "priority": priority,
    },
    place, st.sampled_from(["north", "south", "west", None]), st.integers(0, 200), st.floats(-200, 500),
)  # fmt: skip
fleet = st.lists(
    st.tuples(st.sampled_from([(), ("north",), ("north", "south")]), st.floats(0.5, 10)),
    min_size=1,
    max_size=3,
)


@given(st.lists(home, max_size=12), fleet, st.integers(1, 3))
@hypothesis_settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_no_day_over_its_hours_and_every_home_once(homes: list, kinds: list, days: int) -> None:
    listed = stops(*homes)
    trucks = [truck(f"T{at}", areas, hours) for at, (areas, hours) in enumerate(kinds)]
    result = plan(listed, trucks, days, iterations_per_home=5)

    planned = [*result.dispatch["site_id"], *result.undispatched["site_id"]]
    assert sorted(planned) == sorted(listed["site_id"])
    assert result.undispatched["why"].null_count() == 0
    by_id = {vehicle.truck_id: vehicle for vehicle in trucks}
    for (_, truck_id), rows in result.dispatch.group_by("day", "truck_id", maintain_order=True):
        vehicle = by_id[truck_id]
        now = vehicle.start_min
        for row in rows.sort("stop").iter_rows(named=True):
            assert vehicle.serves(row["area"])
            now += row["drive_min"]
            assert row["arrive_at"] == f"{now // 60:02d}:{now % 60:02d}"
            now += row["minutes_on_site"]
        total = result.truck_days.filter(pl.col("day") == rows[0, "day"], pl.col("truck_id") == truck_id)
        assert now + total[0, "back_drive_min"] <= vehicle.start_min + vehicle.shift_min
        assert total[0, "free_min"] == vehicle.shift_min - total[0, "drive_min"] - total[0, "minutes_on_site"]


def brute_force(problem: Problem) -> float:
    """The most that one truck can earn in one day: every order of every choice of homes."""
    best = 0.0
    for size in range(1, problem.expected_value.size + 1):
        for route in permutations(range(problem.expected_value.size), size):
            if problem.free_min(0, list(route)) >= 0:
                earned = (
                    problem.expected_value[list(route)].sum()
                    - problem.drive_cost * problem.drives(0, list(route)).sum()
                )
                best = max(best, float(earned))
    return best


@pytest.mark.parametrize("seed", range(6))
def test_a_small_day_is_the_best_there_is(seed: int) -> None:
    draw = np.random.default_rng(seed)
    homes = stops(*(
        {"latitude": START[0] + draw.normal(0, 0.2), "longitude": START[1] + draw.normal(0, 0.2),
         "minutes_on_site": int(draw.choice([25, 45, 60])), "priority": draw.uniform(-40, 150)}
        for _ in range(6)
    ))  # fmt: skip
    vehicle = truck(hours=4)
    used = settings()
    travel = Travel(
        np.array([*homes["latitude"], START[0]]), np.array([*homes["longitude"], START[1]]), used.dispatch
    )
    best = brute_force(Problem.of(homes, [vehicle], travel, settings=used))

    result = plan(homes, [vehicle])

    assert best > 0
    assert result.truck_days["worth"].sum() == pytest.approx(best, abs=0.01)


def test_the_better_home_goes_first_when_only_one_fits() -> None:
    homes = stops({"priority": 100.0}, {"priority": 101.0}, {"priority": 99.0})
    result = plan(homes, [truck(hours=0.5)], days=2)
    assert result.dispatch.select("day", "site_id").rows() == [
        (MONDAY, "h1"),
        (MONDAY + timedelta(days=1), "h0"),
    ]
    assert why(result) == {"h2": "days_full"}
    assert result.undispatched["why"][0] == (
        "every day is full: it needs 30 min (0 min more driving, 30 min on site); "
        "the day where it comes closest has 0 min left"
    )


def test_a_dear_home_far_away_loses_to_many_near_ones_that_fill_the_day() -> None:
    near = [{"minutes_on_site": 60, "priority": 100.0}] * 4
    homes = stops({"latitude": START[0] + 0.7, "priority": 250.0}, *near)
    result = plan(homes, [truck(hours=4)])
    assert result.dispatch["site_id"].sort().to_list() == ["h1", "h2", "h3", "h4"]


def test_a_home_without_a_place_or_a_truck_or_within_reach_says_so() -> None:
    homes = stops({"latitude": None}, {"area": "south"}, {"area": None}, FAR, {"priority": -500.0}, {})
    result = plan(homes, [truck(areas=("north",))])
    assert result.dispatch["site_id"].to_list() == ["h5"]
    assert why(result) == {
        "h0": "no_coordinates",
        "h1": "no_truck",
        "h2": "no_truck",
        "h3": "too_far",
        "h4": "not_worth_the_drive",
    }
    assert result.undispatched.row(3, named=True)["why"].startswith("too far: ")
    assert result.undispatched.filter(pl.col("site_id") == "h3")["needs_min"][0] > 8 * 60


def test_a_home_of_less_expected_value_than_its_drive_is_unscheduled() -> None:
    # 0.4 deg of latitude are 44 km, on the road 78 min each way: 195 of the currency at 75 an hour
    result = plan(stops({"latitude": START[0] + 0.4, "priority": 100.0}), [truck()])
    assert why(result) == {"h0": "not_worth_the_drive"}
    assert (
        result.undispatched["why"][0]
        == "expected value 150.00, less than its drive: 156 min more on the road cost 195.00"
    )
    assert plan(stops({"latitude": START[0] + 0.4, "priority": 150.0}), [truck()]).undispatched.is_empty()


def test_each_truck_keeps_to_its_areas() -> None:
    homes = stops(*({"area": area, "minutes_on_site": 100} for area in ("north", "south") * 4))
    result = plan(homes, [truck("N", ("north",)), truck("S", ("south",))])
    assert set(result.dispatch.select("truck_id", "area").iter_rows()) == {("N", "north"), ("S", "south")}
    assert result.dispatch.height == 8


def test_the_solver_itself_sends_no_truck_where_it_may_not_go() -> None:
    homes = stops(*({"area": area, "minutes_on_site": 100} for area in ("north", "south") * 4))
    used = settings()
    travel = Travel(np.full(10, START[0]), np.full(10, START[1]), used.dispatch)
    problem = Problem.of(homes, [truck("N", ("north",)), truck("any")], travel, settings=used)

    north, anywhere = solve_day(problem, np.arange(8), used.dispatch)

    assert sorted(north) == [0, 2, 4, 6]
    assert sorted(anywhere) == [1, 3, 5, 7]


def test_supplied_minutes_are_driven_and_named() -> None:
    homes = stops({"latitude": None}, FAR)
    result = plan(homes, [truck()], supplied={(2, 0): 20.0, (0, 1): 10.4, (1, 0): 40.0, (1, 2): 30.0})
    assert result.dispatch.select("site_id", "drive_min", "drive_from", "drive_km").rows() == [
        ("h0", 20, "supplied", None),
        ("h1", 11, "supplied", None),
    ]
    assert result.truck_days.select("drive_min", "back_drive_min", "back_at").row(0) == (61, 30, "10:01")


def test_a_round_says_whether_its_drives_are_estimated() -> None:
    def sources(supplied: dict[tuple[int, int], float]) -> tuple[str, str]:
        result = plan(stops({}), [truck()], supplied=supplied)
        return result.truck_days.select("drive_from", "back_drive_from").row(0)

    assert sources({}) == ("estimated", "estimated")
    assert sources({(1, 0): 9.0}) == ("supplied", "supplied")  # one way serves both
    homes = stops({}, {})
    result = plan(homes, [truck()], supplied={(2, 0): 9.0, (2, 1): 30.0})
    assert result.dispatch["drive_from"].to_list() == ["supplied", "estimated"]
    assert result.truck_days.select("drive_from", "back_drive_from").row(0) == (
        "partly estimated",
        "supplied",
    )


def test_a_day_chooses_from_few_homes_and_fills_up_from_the_rest() -> None:
    homes = stops(*({"minutes_on_site": 60} for _ in range(10)))
    result = plan(homes, [truck()], homes_per_truck=2)
    assert result.dispatch.height == 8


def test_the_few_are_those_of_most_expected_value_a_minute() -> None:
    long_ones, short_ones = [{"minutes_on_site": 200, "priority": 150.0}] * 3, [{"priority": 100.0}] * 8
    result = plan(stops(*long_ones, *short_ones), [truck(hours=4)], homes_per_truck=3)
    assert result.dispatch.height == 8
    assert set(why(result)) == {"h0", "h1", "h2"}


def test_the_same_input_gives_the_same_plan() -> None:
    draw = np.random.default_rng(3)
    homes = stops(*(
        {"latitude": START[0] + draw.normal(0, 0.2), "longitude": START[1] + draw.normal(0, 0.2),
         "priority": draw.uniform(0, 300)} for _ in range(40)
    ))  # fmt: skip
    first, second = (plan(homes, [truck("A"), truck("B")], days=2) for _ in range(2))
    for name in ("dispatch", "truck_days", "undispatched"):
        assert getattr(first, name).equals(getattr(second, name))
    assert first.dispatch.height > 15


def test_without_visits_there_is_an_empty_plan() -> None:
    result = plan(stops(), [truck()], days=2)
    assert (result.dispatch.schema, result.truck_days.schema) == (DISPATCH, TRUCK_DAYS)
    assert (result.undispatched.schema, result.undispatched.height) == (UNDISPATCHED, 0)


def test_a_round_over_its_shift_is_never_published() -> None:
    homes = stops({"minutes_on_site": 50}, {"minutes_on_site": 50})
    used = settings()
    travel = Travel(np.full(3, START[0]), np.full(3, START[1]), used.dispatch)
    problem = Problem.of(homes, [truck(hours=1)], travel, settings=used)
    with pytest.raises(NightFailed, match="would be back at 09:40, after its shift"):
        _time_round(problem, MONDAY, Round(0, 0, [0, 1]), homes.rows(named=True))
