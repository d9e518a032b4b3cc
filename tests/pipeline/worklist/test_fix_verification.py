"""What the data since a visit prove, home by home."""

from datetime import date, timedelta

import polars as pl
import pytest

from pipeline.core.contract import FAULTS
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.scoring.verdict import Prior
from pipeline.worklist.fix_verification import DISPROVED, OPEN, PROVED, SCHEMA, verify_fixes

OWN = load_settings().visits
PRIOR = Prior(0.05, dict.fromkeys(CATALOGUE, 1 / len(CATALOGUE)))
VISIT = date(2026, 6, 1)
RIGHT = {
    "slope_l1": -0.5, "slope_l1_se": 0.01, "slope_l2": -0.5, "slope_l2_se": 0.01, "slope_expected": -0.5,
    "gain_l1": 1.0, "gain_l1_se": 0.02, "gain_l2": 1.0, "gain_l2_se": 0.02, "expected_gain": 1.0,
    "meter_gain_l1": None, "meter_gain_l2": None, "meter_gain_se": None, "meter_share": 0.0, "meter_r2": 0.99,
    "night_l1_negative_share": 0.0, "night_l2_negative_share": 0.0, "has_battery": False,
}  # fmt: skip


NIGHTS = (200.0, 210.0, 190.0, 205.0)


def proof(
    shares=(),
    levels=NIGHTS,
    fault="reversed",
    leg="l1",
    nights=None,
    from_on=None,
    clock=False,
    lasted=None,
    third=False,
    **signals,
):
    """Return the row of one home; `shares` are tonight's likelihoods of faults, `levels` its nights since the visit.

    Tonight is `lasted` days after the visit, by default as many as there are nights.
    """
    named = dict(shares)
    likelihoods = dict.fromkeys(FAULTS, 0.0) | named
    likelihoods["sound"] = 1 - sum(named.values())
    nights = len(levels) if nights is None else nights
    first = (
        VISIT + timedelta(days=1) if nights or lasted else None
    )  # no rows since the visit, no first day of them
    scores = pl.DataFrame(
        [{"site_id": "A", "fault_likelihoods": likelihoods, "from_on": from_on or first,
          "nights": nights, "is_clock_suspect": clock}],
        schema_overrides={"from_on": pl.Date},
    )  # fmt: skip
    row = pl.DataFrame([{"site_id": "A", **RIGHT, **signals}]).with_columns(
        pl.col("^(meter_)?gain_.*$").cast(pl.Float64)
    )
    daily = pl.DataFrame(
        {"site_id": "A", "day": VISIT + timedelta(days=at + 1), "night_l1_w": level, "night_l2_w": level}
        for at, level in enumerate(levels)
    )
    if daily.is_empty():
        daily = pl.DataFrame(
            schema={"site_id": pl.String, "day": pl.Date, "night_l1_w": pl.Float64, "night_l2_w": pl.Float64}
        )
    if third:
        daily = daily.with_columns(night_l3_w=pl.col("night_l1_w"))
    worked_on = pl.DataFrame(
        [{"site_id": "A", "visited_on": VISIT, "fault": fault, "leg": leg}],
        schema_overrides={"leg": pl.String},
    )
    as_of = VISIT + timedelta(days=lasted or max(nights, 1))
    told = verify_fixes(
        worked_on, scores, row, daily=daily, prior=PRIOR, catalogue=CATALOGUE, as_of=as_of, settings=OWN
    )
    assert told.schema == SCHEMA
    return told.row(0, named=True)


def test_right_by_likelihood_and_by_measure_is_proved_with_its_standard_errors():
    told = proof({"reversed": 0.0002})
    assert told["proof"] == PROVED
    assert told["nights_since"] == 4
    assert told["proof_told"] == (
        "4 nights since the visit; L1 -0.50 ± 0.01, L2 -0.50 ± 0.01 W per W of PV, right is -0.50; "
        "overnight baseload L1 201 ± 4, L2 201 ± 4 W; under 1 % likely still faulty"
    )


def test_what_is_known_of_a_visited_home_is_not_the_fleets_base_rate():
    """Nine of ten fixes work: before any data one in ten homes has its fault still, not one in 240."""
    told = proof(levels=(), nights=0)
    assert told["proof"] == OPEN
    assert told["still_wrong_share"] == pytest.approx(0.1, abs=0.005)
    assert told["proof_told"] == "no data since the visit"
    # Evidence that would take the fleet's 5 % / 12 down to itself takes a visited home to what it was.
    same = PRIOR.base_rate / 12
    told = proof(dict.fromkeys(CATALOGUE, same))
    assert told["still_wrong_share"] == pytest.approx(0.1, abs=0.005)


def test_a_fix_that_did_not_work_is_told():
    told = proof({"reversed": 0.97}, gain_l1=-1.0, slope_l1=0.5)
    assert told["proof"] == DISPROVED
    assert told["nights_wanted"] is None


def test_another_fault_than_the_one_worked_on_disproves_too_once_it_has_lasted():
    """A night or two can look like any fault; the one that was worked on shows at once."""
    assert proof({"dead": 0.9}, levels=(0.5,) * 3)["proof"] == OPEN
    assert proof({"dead": 0.9}, levels=(0.5,) * OWN.again_nights)["proof"] == DISPROVED
    assert proof({"dead": 0.9}, levels=(0.5,), fault="dead")["proof"] == DISPROVED
    # By the odds of visited homes dead CTs it is, but the night looks twice as much like another fault.
    one_night = {"dead": 0.05, "pickup_noise": 0.8}
    assert proof(one_night, levels=(0.5,), fault="dead")["proof"] == OPEN
    assert proof({"reversed": 0.4, "legs_crossed": 0.5}, levels=(-9.0,), leg="both")["proof"] == DISPROVED


def test_leads_still_exchanged_with_production_are_shown_though_no_night_is_quiet():
    """No night counts as one while the production channel lives at night, but the days do."""
    told = proof({"swapped_with_pv": 0.99}, levels=(), nights=0, fault="swapped_with_pv", lasted=2)
    assert (told["proof"], told["nights_since"]) == (DISPROVED, 2)
    assert told["proof_told"].startswith("2 nights since the visit")


def test_a_corrected_record_is_proved_by_the_answer_it_now_expects():
    downstream = {"expected_gain": 0.0, "gain_l1": 0.01, "gain_l2": -0.02, "slope_expected": 0.0}
    asked = {"shares": {"wrong_scope": 0.0002}, "levels": (), "nights": 3, "leg": "both", **downstream}
    assert proof(fault="wrong_scope", **asked)["proof"] == PROVED
    assert proof(fault="reversed", **asked)["proof"] == OPEN
    # Whatever the meter has against the CTs, the record is right; and living nights say nothing of it.
    off = {"meter_share": 0.9, "meter_gain_l1": 1.4, "meter_gain_l2": 2.0, "meter_gain_se": 0.04}
    assert proof(fault="wrong_scope", **asked, **off)["proof"] == PROVED
    asked |= {"levels": NIGHTS, "gain_l1": None, "gain_l2": None, "slope_l1": None, "slope_l2": None}
    assert proof(fault="wrong_scope", **asked)["proof"] == OPEN


def test_an_unlikely_fault_is_not_proved_gone_while_a_measure_is_wrong():
    assert proof({"partial": 0.0002}, fault="partial", gain_l1=0.75)["proof"] == OPEN
    assert proof({"partial": 0.0002}, fault="partial", gain_l1=0.97)["proof"] == PROVED


def test_a_measure_counts_only_with_an_error_small_enough():
    wide = {"gain_l1": 1.0, "gain_l1_se": 0.12, "night_l1_negative_share": 0.02}
    assert proof({"partial": 0.0002}, fault="partial", **wide)["proof"] == OPEN


def test_only_the_legs_worked_on_are_measured():
    other_off = {"gain_l2": 0.5, "slope_l2": -0.25}
    assert proof({"reversed": 0.0002}, leg="l1", **other_off)["proof"] == PROVED
    assert proof({"reversed": 0.0002}, leg=None, **other_off)["proof"] == OPEN


def test_a_clamp_at_the_loads_is_proved_by_its_nights_or_the_meter_not_by_the_sun_it_does_not_see():
    at_loads = {"expected_gain": 0.0, "gain_l1": 0.0, "gain_l2": 0.0, "slope_expected": 0.0}
    assert proof({"reversed": 0.0002}, **at_loads)["proof"] == PROVED
    assert proof({"reversed": 0.0002}, levels=(), nights=3, **at_loads)["proof"] == OPEN
    meter = {"meter_share": 0.9, "meter_gain_l1": 1.02, "meter_gain_l2": 0.99, "meter_gain_se": 0.01}
    told = proof({"reversed": 0.0002}, levels=(), nights=3, **at_loads, **meter)
    assert told["proof"] == PROVED
    assert "reading over utility meter L1 1.02 ± 0.01, L2 0.99 ± 0.01, right is 1" in told["proof_told"]
    unexplained = proof({"reversed": 0.0002}, levels=(), nights=3, **at_loads, **meter, meter_r2=0.3)
    assert unexplained["proof"] == OPEN
    assert "utility meter" not in unexplained["proof_told"]


def test_nights_below_zero_say_nothing_with_a_battery_or_a_wrong_clock():
    below = {"levels": (-200.0, -210.0, -190.0), "night_l1_negative_share": 0.9}
    assert proof({"reversed": 0.0002}, **below)["proof"] == OPEN
    assert proof({"reversed": 0.0002}, **below, has_battery=True)["proof"] == PROVED
    assert proof({"reversed": 0.0002}, **below, clock=True)["proof"] == PROVED


def test_a_battery_does_not_show_in_a_clamp_around_the_loads():
    at_loads = {"expected_gain": 0.0, "gain_l1": None, "gain_l2": None, "slope_l1": None, "slope_l2": None}
    assert proof({"reversed": 0.0002}, **at_loads, has_battery=True)["proof"] == PROVED
    below = {"levels": (-200.0, -210.0, -190.0), "night_l1_negative_share": 0.9}
    assert proof({"reversed": 0.0002}, **at_loads, **below, has_battery=True)["proof"] == OPEN


def test_how_many_nights_it_takes_follows_from_what_the_nights_so_far_said():
    weak, strong = (proof({"intermittent": share}, fault="intermittent") for share in (0.003, 0.0015))
    assert (weak["proof"], strong["proof"]) == (OPEN, OPEN)
    assert weak["nights_wanted"] > strong["nights_wanted"] > 4
    nothing = proof({"intermittent": 0.05 / 12 / 0.95 * 0.95}, fault="intermittent")
    assert nothing["nights_wanted"] is None


def test_data_of_before_the_visit_do_not_count():
    told = proof({"reversed": 0.0002}, from_on=VISIT)
    assert (told["proof"], told["nights_since"]) == (OPEN, 0)


def test_nobody_visited():
    empty = pl.DataFrame(
        schema={"site_id": pl.String, "visited_on": pl.Date, "fault": pl.String, "leg": pl.String}
    )
    assert verify_fixes(
        empty, empty, empty, daily=empty, prior=PRIOR, catalogue=CATALOGUE, as_of=VISIT, settings=OWN
    ).equals(pl.DataFrame(schema=SCHEMA))


THIRD = {
    "slope_l1": -1 / 3, "slope_l2": -0.34, "slope_l3": -1 / 3, "slope_l3_se": 0.01, "slope_expected": -1 / 3,
    "gain_l1": 1.0, "gain_l2": 1.02, "gain_l3": 1.0, "gain_l3_se": 0.02, "meter_gain_l3": None,
    "night_l3_negative_share": 0.0, **dict.fromkeys(("pv_share_l1", "pv_share_l2", "pv_share_l3"), 1 / 3),
}  # fmt: skip


@pytest.mark.parametrize(
    ("leg", "is_seen"),
    [("l1+l3", True), ("both", True), ("l3", True), (None, True), ("l1+l2", False), ("l2", False)],
)
def test_a_third_line_counts_where_the_visit_worked_on_it(leg, is_seen):
    """Line 3 still answers the wrong way: the fix is not right where line 3 was worked on."""
    wrong = THIRD | {"slope_l3": 0.33, "gain_l3": -1.0}
    told = proof({"reversed": 0.0002}, leg=leg, third=True, **wrong)
    assert told["proof"] == (OPEN if is_seen else PROVED)
    right = proof({"reversed": 0.0002}, leg=leg, third=True, **THIRD)
    assert right["proof"] == PROVED
    assert right["proof_told"].startswith(
        "4 nights since the visit; L1 -0.33 ± 0.01, L2 -0.34 ± 0.01, L3 -0.33 ± 0.01 W per W of PV, right is -0.33; "
        "overnight baseload L1 201 ± 4, L2 201 ± 4, L3 201 ± 4 W; "
    )


def test_where_production_feeds_one_line_of_three_right_is_said_line_by_line():
    fed = {"pv_share_l1": 0.0, "pv_share_l2": 1.0, "pv_share_l3": 0.0}
    slopes = {"slope_l1": 0.0, "slope_l2": -0.9, "slope_l3": 0.01}
    gains = {"gain_l1": None, "gain_l2": 0.9, "gain_l3": None}
    told = proof({"reversed": 0.0002}, third=True, **THIRD | fed | slopes | gains)
    assert "right is +0.00 on L1, -1.00 on L2, +0.00 on L3;" in told["proof_told"]
