"""Energy misreported so far: a sum over the days there were, whose interval has the truth of invented homes in it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from energy_columns import energy_columns

from pipeline.faults.catalogue import CATALOGUE
from pipeline.simulate.counterfactual import twin_home
from pipeline.simulate.spec import FleetSpec
from pipeline.worklist.energy_so_far import (
    DAY_COLUMNS,
    ERRORS,
    LEAST_COVERAGE,
    NINE_OF_TEN,
    SCHEMA,
    energy_so_far,
    first_days,
    no_home_days,
)

AS_OF = date(2026, 6, 14)
TYPES = {"service": pl.String, "is_declared_upstream": pl.Boolean, "is_added_back": pl.Boolean}
NEEDS = energy_columns() | set(ERRORS.values())
EXACT = {name: replace(fault, wrong_kwh_span=(1.0, 1.0)) for name, fault in CATALOGUE.items()}


def signal(**known: Any) -> pl.DataFrame:
    """The window's row of home A."""
    row = {
        "site_id": "A",
        "service": "120/240",
        "l1_kwh_day": 10.0,
        "l2_kwh_day": 8.0,
        "pv_kwh_day": 20.0,
    } | known
    return pl.DataFrame(
        [row], schema={"site_id": pl.String} | {name: TYPES.get(name, pl.Float64) for name in NEEDS}
    )


def day(ago: int, l1: float | None = 10.0, l2: float | None = 8.0, share: float = 1.0) -> dict[str, Any]:
    """A day of home A that read `l1` and `l2` kWh while it was covered, `share` of the time."""
    energy = {"l1_abs_wh": l1, "l2_abs_wh": l2, "pv_wh": 20.0}
    return {
        "site_id": "A", "day": AS_OF - timedelta(days=ago), "covered_min": 1440 * share,
        **{name: None if value is None else 1000 * value * share for name, value in energy.items()},
    }  # fmt: skip


def sums(
    *days: dict[str, Any], fault: str = "reversed", leg: str | None = "l1", catalogue=EXACT, start=30, **known
):
    """The row of home A."""
    homes = pl.DataFrame([("A", fault, leg)], schema=["site_id", "fault", "leg"], orient="row")
    starts = pl.DataFrame([("A", AS_OF - timedelta(days=start))], schema=["site_id", "from_on"], orient="row")
    rows = pl.DataFrame(list(days), schema=no_home_days([], AS_OF).schema)
    table = energy_so_far(
        homes.cast(pl.String), signal(**known), rows, starts=starts, as_of=AS_OF, catalogue=catalogue
    )
    assert table.schema == SCHEMA
    return table.row(0, named=True)


def test_it_is_a_sum_over_the_days_that_there_were() -> None:
    row = sums(day(9, l1=4.0), day(2, l1=6.0), day(0, l1=5.0))
    assert row["kwh_so_far"] == pytest.approx(2 * (4 + 6 + 5))
    assert (row["days_so_far"], row["so_far_from"], row["so_far_to"]) == (3, AS_OF - timedelta(days=9), AS_OF)
    assert row["kwh_read_so_far"] == pytest.approx(15 + 3 * 8)
    assert row["kwh_so_far_low"] == row["kwh_so_far"] == row["kwh_so_far_high"]


def test_days_before_the_fault_and_after_the_night_do_not_count() -> None:
    assert sums(day(9), day(5), day(-1), start=5)["days_so_far"] == 1


def test_a_partly_covered_day_counts_as_a_whole_one_and_widens_the_interval() -> None:
    whole, part = sums(day(1), day(0)), sums(day(1), day(0, share=0.6))
    assert part["kwh_so_far"] == pytest.approx(whole["kwh_so_far"])
    assert part["kwh_so_far_high"] - part["kwh_so_far"] == pytest.approx(NINE_OF_TEN * 0.4 * 0.3 * 20)
    assert sums(day(1), day(0, share=LEAST_COVERAGE - 0.01))["days_so_far"] == 1


def test_no_data_is_no_day_and_no_number() -> None:
    row = sums()
    assert row.pop("days_so_far") == 0
    assert row.pop("site_id") == "A"
    assert set(row.values()) == {None}


def test_the_error_of_a_gain_moves_all_days_together() -> None:
    known = {"gain_l1": 0.5, "gain_l1_se": 0.05}
    one, four = (sums(*(day(ago) for ago in range(count)), fault="partial", **known) for count in (1, 4))
    assert one["kwh_so_far"] == pytest.approx(10)
    step = 10 * (1 / 0.45 - 1 / 0.55) / 2
    assert one["kwh_so_far_high"] - 10 == pytest.approx(NINE_OF_TEN * step)
    assert four["kwh_so_far_high"] - 40 == pytest.approx(4 * NINE_OF_TEN * step)


def test_how_well_a_fault_can_be_told_is_in_the_interval_and_without_it_nothing_is_known() -> None:
    spans = {"reversed": (0.8, 1.5), "dead": None}
    catalogue = {name: replace(CATALOGUE[name], wrong_kwh_span=span) for name, span in spans.items()}
    row = sums(day(0), catalogue=catalogue)
    assert (row["kwh_so_far_low"], row["kwh_so_far_high"]) == (pytest.approx(16), pytest.approx(30))
    unknown = sums(day(0), fault="dead", catalogue=catalogue)
    assert (unknown["kwh_so_far"], unknown["kwh_so_far_low"], unknown["kwh_so_far_high"]) == (
        None,
        None,
        None,
    )
    assert (unknown["days_so_far"], unknown["kwh_read_so_far"]) == (1, 18)


def test_a_day_without_load_does_not_count_as_an_average_home() -> None:
    assert sums(day(0, l2=0.2), fault="dead", leg="l1")["kwh_so_far"] == pytest.approx(1.0)
    assert sums(day(0, l2=0.2), fault="dead", leg="l1", l2_kwh_day=0.1)["kwh_so_far"] > 10


def test_an_unknown_leg_counts_as_the_least_and_an_unknown_fault_not() -> None:
    assert sums(day(0), leg=None)["kwh_so_far"] == pytest.approx(16)
    assert sums(day(0), fault="of_another_model")["days_so_far"] == 0


def test_faults_that_leave_no_trace_of_how_much_have_no_number() -> None:
    assert any(fault.wrong_kwh_span is None for fault in CATALOGUE.values())
    for fault in CATALOGUE.values():
        if fault.wrong_kwh_span is not None:
            low, high = fault.wrong_kwh_span
            assert 0 <= low <= 1 <= high


def listed(
    outcome: str | None = None, visit: date | None = None, changed: date | None = None, before=None
) -> date:
    """The first day that counts for home A, whose window begins 29 days ago."""
    first = AS_OF - timedelta(days=29)
    spoken = max(day for day in (first, changed, visit and visit + timedelta(days=1)) if day)
    standing = pl.DataFrame(
        [("A", True, visit, outcome), ("B", False, None, None)],
        schema={
            "site_id": pl.String,
            "is_listed": pl.Boolean,
            "last_visit_on": pl.Date,
            "outcome": pl.String,
        },
        orient="row",
    )
    dates = {"site_id": pl.String, "from_on": pl.Date, "changed_on": pl.Date}
    signals = pl.DataFrame([("A", spoken, changed), ("B", first, None)], schema=dates, orient="row")
    known = (
        None
        if before is None
        else pl.DataFrame([("A", before)], schema=["site_id", "so_far_from"], orient="row")
    )
    ((home, from_on),) = first_days(standing, signals, known).rows()
    assert home == "A"
    return from_on


def test_the_first_day_is_that_of_the_change_else_the_nights_before_else_the_windows() -> None:
    first, old = AS_OF - timedelta(days=29), AS_OF - timedelta(days=200)
    assert listed() == first
    assert listed(before=old) == old
    assert listed(changed=AS_OF - timedelta(days=3), before=old) == AS_OF - timedelta(days=3)


def test_after_a_visit_only_the_days_since_count_unless_it_left_the_fault() -> None:
    visit, old = AS_OF - timedelta(days=10), AS_OF - timedelta(days=200)
    for outcome in ("fixed", "sound", "other", None):
        assert listed(outcome, visit, before=old) == visit + timedelta(days=1)
    assert listed("open", visit, before=old) == old
    assert listed("fixed", old - timedelta(days=9), before=old) == old


def test_the_reader_is_asked_for_columns_that_a_day_has() -> None:
    assert no_home_days(["A"], AS_OF).columns == ["site_id", "day", *DAY_COLUMNS]


# Their formulas need no gain of the window's.
BY_ENERGY = ("reversed", "dead", "opposed_pair", "legs_crossed")


def invented(fault: str, number: int, spec: FleetSpec) -> tuple[dict[str, Any], float] | None:
    """The row of an invented home with this fault, and its |reading - truth| in kWh; None if it drew another."""
    twins = twin_home(replace(spec, faults=(fault,)), number)
    if twins.fault != fault or twins.onset_at is not None:
        return None
    joined = twins.installed.join(twins.right, on="interval_start", suffix="_right")
    hours = 0.25
    channels = [name for name in ("l1_w", "l2_w") if not joined[name].is_null().all()]
    kwh = {name: joined[name].abs() * hours / 1000 for name in channels}
    true = sum(
        float((joined[name] - joined[f"{name}_right"]).abs().sum()) * hours / 1000 for name in channels
    )
    by_day = joined.select(
        day=pl.col("interval_start").dt.date(), covered_min=pl.lit(60 * hours),
        l1_abs_wh=1000 * kwh["l1_w"], l2_abs_wh=1000 * kwh["l2_w"] if "l2_w" in kwh else pl.lit(None, pl.Float64),
        pv_wh=pl.lit(0.0),
    ).group_by("day").sum()  # fmt: skip
    days = by_day.sort("day").with_columns(site_id=pl.lit("A"))
    known = {
        "l1_kwh_day": days["l1_abs_wh"].mean() / 1000, "l2_kwh_day": (days["l2_abs_wh"].mean() or 0.0) / 1000,
        "service": twins.site["service"], "is_added_back": bool(twins.site["pv_added_back"]),
        "is_declared_upstream": twins.site["ct_sees_pv"],
    }  # fmt: skip
    row = sums(*days.to_dicts(), fault=fault, leg=twins.leg, catalogue=CATALOGUE, **known)
    return row, true


@pytest.mark.parametrize("fault", BY_ENERGY)
def test_the_truth_of_invented_homes_lies_in_the_interval(fault: str) -> None:
    """Of nine in ten, by what the interval says; some allowance for as few homes as a test can draw."""
    spec = FleetSpec(sites=24, days=10, fault_share=1.0, onset_share=0.0, hard_share=0.0, seed=5, end=AS_OF)
    known = [home for number in range(24) if (home := invented(fault, number, spec))]
    inside = [row["kwh_so_far_low"] <= true <= row["kwh_so_far_high"] for row, true in known]
    assert len(inside) >= 12
    assert sum(inside) / len(inside) >= 0.75


def test_a_third_line_adds_what_it_read_and_what_it_misreported() -> None:
    """A fault of all three lines by hand: twice what each reads, day by day."""
    twice = sum((2 * pl.col(f"{line}_kwh_day") for line in ("l1", "l2", "l3")), pl.lit(0.0))
    fault = replace(EXACT["reversed"], wrong_kwh_day=lambda leg, line_count: twice)
    homes = pl.DataFrame(
        {"site_id": ["A", "B"], "fault": ["reversed", "reversed"], "leg": ["l1+l2+l3", "l1"]}
    )
    days = pl.DataFrame(
        [day(1) | {"l3_abs_wh": 5000.0}, day(0) | {"l3_abs_wh": 3000.0}, day(0) | {"site_id": "B"}],
        schema={**no_home_days([], AS_OF).schema, "l3_abs_wh": pl.Float64},
    )
    starts = pl.DataFrame({"site_id": ["A", "B"], "from_on": [AS_OF - timedelta(days=30)] * 2})
    window = signal(l3_kwh_day=4.0).with_columns(l3_kwh_day=pl.lit(4.0))
    signals = pl.concat(
        [window, window.with_columns(site_id=pl.lit("B"), l3_kwh_day=pl.lit(None, pl.Float64))]
    )
    table = energy_so_far(
        homes, signals, days, starts=starts, as_of=AS_OF, catalogue=EXACT | {"reversed": fault}
    )
    three, two = table.iter_rows(named=True)
    assert three["kwh_read_so_far"] == pytest.approx(10 + 8 + 5 + 10 + 8 + 3)
    assert three["kwh_so_far"] == pytest.approx(2 * three["kwh_read_so_far"])
    assert two["kwh_read_so_far"] == pytest.approx(18)
