"""Homes as built: each hard negative looks as its word says, a fault starts at its onset."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.simulate.families.build import MEASURES, build_street
from pipeline.simulate.families.crest import write_households
from pipeline.simulate.families.draw import areas, draw_fleet
from pipeline.simulate.families.register import site_row, truth_row
from pipeline.simulate.families.spec import UnlikeSpec

SPEC = UnlikeSpec(sites=40, days=8, seed=11, fault_share=0.0, hard_share=0.0, with_volts=True)
ROWS = SPEC.rows


@pytest.fixture(scope="module")
def pool(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pool")
    write_households(folder, [(0, 1), (1, 2)], workdays=3, weekend_days=2)
    return folder


@pytest.fixture(scope="module")
def plain():
    """A right upstream 120/240 home with solar, without battery, on a street of its own."""
    for street in draw_fleet(SPEC):
        for home in street:
            if home.service == "120/240" and home.sees_pv and home.roof and not home.battery:
                return replace(home, added_back=False, is_clipped=False, cts_per_leg=1, has_ev=False)
    raise AssertionError("no such home in forty")


@pytest.fixture
def build(pool, plain):
    def of(**facts):
        (built,) = build_street(SPEC, [replace(plain, **facts)], areas(SPEC), pool=pool)
        return built

    return of


def _dark(rows):
    return rows.filter(pl.col("pv_w") < 5)


def test_a_plain_home_reports_what_it_has_and_nothing_else(build):
    rows = build(has_meter=False, has_var=False, has_battery_w=False, hard="").rows

    assert rows.columns == ["interval_start", *MEASURES]
    assert 0.9 * ROWS < rows.height <= ROWS
    for name in ("l1_var", "l2_var", "battery_w", "import_wh", "export_wh"):
        assert rows[name].null_count() == rows.height
    assert rows["l1_v"].is_between(105, 135).all()
    assert (_dark(rows)["l1_w"] > -20).all()
    assert rows["l1_w"].min() < -200


def test_the_meter_agrees_with_the_legs(build):
    rows = build(has_meter=True).rows

    net_wh = rows["import_wh"] - rows["export_wh"]
    legs_wh = (rows["l1_w"] + rows["l2_w"]) / 4
    assert float((net_wh - legs_wh).abs().median()) < 10
    assert abs(net_wh.sum() / legs_wh.sum() - 1) < 0.05
    assert rows.select(pl.col("import_wh", "export_wh").min()).row(0) == (0.0, 0.0)


def test_a_selling_battery_makes_the_night_negative(build):
    built = build(hard="battery_exporting", battery="exports", has_battery_w=True)
    night = _dark(built.rows)

    assert ((night["l1_w"] < -100) & (night["battery_w"] > 1000)).any()
    assert built.home.fault == "sound"


def test_an_undeclared_battery_hides_production_and_says_nothing(build):
    built = build(hard="battery_undeclared", battery="self", declares_battery=False, has_battery_w=False)
    row = site_row(SPEC, built, areas(SPEC)[built.home.area])

    assert row["has_battery"] is False
    assert built.rows["battery_w"].null_count() == built.rows.height
    assert (built.rows["l1_w"] + built.rows["l2_w"]).abs().median() < 60


def test_an_outage_and_snow_leave_no_probe(build):
    whole = build().rows["pv_w"].sum()

    for word in ("pv_outage", "snow"):
        assert build(hard=word).rows["pv_w"].clip(0).sum() < 0.95 * whole, word


def test_a_second_array_feeds_more_than_is_monitored(build):
    noon = build(hard="second_array").rows.filter(pl.col("pv_w") > 1000)
    alone = build().rows.filter(pl.col("pv_w") > 1000)

    surplus, ordinary = (
        float((rows["l1_w"] + rows["l2_w"] + rows["pv_w"]).median()) for rows in (noon, alone)
    )
    assert surplus < ordinary - 300


def test_an_inverter_on_one_leg_moves_that_leg_only(build):
    seen = build(hard="single_leg_inverter", pv_leg="l2").witness

    assert seen["witness_pv_l1"] == 0.0
    assert seen["witness_pv_l2"] == pytest.approx(-1.0, abs=0.02)


def test_crossed_and_turned_answers_like_a_right_home_by_the_other_legs_volts(build):
    seen = build(hard="crossed_and_turned").witness

    assert seen["witness_pv_l1"] == pytest.approx(-0.5, abs=0.01)
    assert seen["witness_load_l1"] == 0.0
    assert seen["witness_cross_l1"] == pytest.approx(1.0, abs=0.02)


def test_a_new_site_has_days_only_since_it_was_commissioned(build):
    built = build(hard="new_site")
    row = site_row(SPEC, built, areas(SPEC)[built.home.area])

    assert built.rows["interval_start"][0].date() >= row["commissioned_on"]
    assert built.rows.height <= 6 * 96


def test_a_loose_neutral_drives_the_legs_apart(build):
    apart = {
        hard: float((rows["l1_v"] - rows["l2_v"]).std())
        for hard in ("", "loose_neutral")
        for rows in (build(hard=hard).rows,)
    }

    assert apart["loose_neutral"] > 1.5 * apart[""]


def test_a_vacant_home_takes_tens_of_watts(build):
    night = _dark(build(hard="vacant").rows)

    assert 5 < float((night["l1_w"] + night["l2_w"]).mean()) < 150


def test_a_reversed_leg_turns_at_its_onset(build):
    onset_min = 4 * 1440 + 600
    built = build(fault="reversed", leg="l1", onset_min=onset_min)
    truth = truth_row(SPEC, built)
    night = _dark(built.rows).with_columns(
        is_late=(pl.col("interval_start") - SPEC.start).dt.total_minutes() > onset_min + 15
    )

    assert (
        night.filter(~pl.col("is_late") & (pl.col("interval_start") < truth["onset_on"]))["l1_w"] > -20
    ).all()
    assert (night.filter("is_late")["l1_w"] < 20).all()
    assert (night["l2_w"] > -20).all()
    assert truth["onset_on"].isoformat() == "2026-06-11"
    assert truth["witness_pv_l1"] == pytest.approx(0.5, abs=0.01)


def test_a_wrong_record_is_wrong_and_the_truth_knows(build):
    built = build(fault="wrong_scope", leg="both")
    row = site_row(SPEC, built, areas(SPEC)[built.home.area])

    assert row["ct_sees_pv"] is False
    assert truth_row(SPEC, built)["sees_pv_true"] is True
    assert built.rows["l1_w"].equals(build().rows["l1_w"])


def test_registers_have_gaps_but_never_of_the_id(build):
    places = areas(SPEC)
    built = build()
    rows = [site_row(replace(SPEC, seed=seed), built, places[built.home.area]) for seed in range(60)]

    empty = {name: np.mean([row[name] is None for row in rows]) for name in rows[0]}
    assert empty["site_id"] == empty["ct_sees_pv"] == 0
    assert 0 < empty["lead_extended"] < 0.5
