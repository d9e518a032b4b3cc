"""The list: who is on it, in which order, and what a row tells the crew."""

import itertools
from datetime import date

import polars as pl
import pytest
from energy_columns import energy_columns

from pipeline.core.contract import FAULTS, Site, Visit
from pipeline.core.settings import Settings, load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.fault_text import spell_faults
from pipeline.worklist.expected_value import worth
from pipeline.worklist.fix_success import chances
from pipeline.worklist.fix_verification import SCHEMA as PROOF
from pipeline.worklist.home_status import next_standing
from pipeline.worklist.planned_visits import PLANS
from pipeline.worklist.revisit_list import SCHEMA, also_possible, revisit_list

SETTINGS = load_settings()
TONIGHT = date(2026, 6, 14)
NEEDS = sorted(energy_columns())
TYPES = {"service": pl.String, "is_declared_upstream": pl.Boolean, "is_added_back": pl.Boolean}


def home(site_id, likelihood, fault="reversed", leg="l1", kwh=8.0, ct_amps=200.0, verdict=None, **others):
    """One home: its row of site_scores, with `kwh` of energy on each leg."""
    shares = dict.fromkeys((*FAULTS, "sound"), 0.0) | {fault: likelihood - sum(others.values())} | others
    likely = max(shares, key=shares.get)
    shares["sound"] = 1 - likelihood
    usual = "suspect" if likelihood >= 0.5 else "unproven"
    score = {
        "site_id": site_id, "area": "North", "crew_id": "C1", "likelihood": likelihood,
        "verdict": verdict or usual, "likely_fault": likely, "likely_leg": leg,
        "fault_likelihoods": shares, "onset_on": None, "from_on": date(2026, 5, 20),
        "evidence": "negative in 98 % of night intervals", "nights": 25,
    }  # fmt: skip
    return score, kwh, ct_amps


def night(*homes, visits=(), settings=SETTINGS):
    """Tonight's list of these homes, the first night of all."""
    scores = pl.DataFrame([score for score, _, _ in homes], schema_overrides={"onset_on": pl.Date})
    schema = {"site_id": pl.String} | {name: TYPES.get(name, pl.Float64) for name in NEEDS}
    signals = pl.DataFrame(
        [
            {"site_id": score["site_id"], "l1_kwh_day": kwh, "l2_kwh_day": kwh, "pv_kwh_day": 20.0,
             "service": "120/240", "is_declared_upstream": True, "is_added_back": False}
            for score, kwh, _ in homes
        ],
        schema=schema,
    )  # fmt: skip
    sites = pl.DataFrame(
        [{"site_id": score["site_id"], "ct_amps": amps} for score, _, amps in homes], schema=pl.Schema(Site)
    )
    register = pl.DataFrame(list(visits), schema=pl.Schema(Visit))
    chance = chances(None, CATALOGUE, settings.ranking)
    value = worth(scores, signals, sites, chances=chance, catalogue=CATALOGUE, settings=settings)
    valued = scores.join(value.select("site_id", "priority", "break_even"), on="site_id")
    none_fixed, none_planned = pl.DataFrame(schema=PROOF), pl.DataFrame(schema=PLANS)
    standing = next_standing(
        None, valued, register, fixes=none_fixed, plans=none_planned, as_of=TONIGHT, settings=settings
    )
    return revisit_list(
        scores, value, sites, standing=standing, catalogue=CATALOGUE, ranking=settings.ranking,
        orders=settings.orders,
    )  # fmt: skip


def ranking(**changed):
    return Settings.model_validate(
        SETTINGS.model_dump() | {"ranking": SETTINGS.ranking.model_dump() | changed}
    )


def test_suspects_and_homes_worth_going_to_are_listed_those_below_the_cut_last():
    listed = night(
        home("low", 0.22),
        home("unsure", 0.4),
        home("sure", 0.97),
        home("half", 0.5),
        home("small", 0.6, kwh=0),
    )
    assert listed["site_id"].to_list() == ["sure", "half", "unsure", "small"]
    assert listed["is_above_cut"].to_list() == [True, True, True, False]
    assert listed["rank"].to_list() == [1, 2, 3, 4]
    assert listed.schema == SCHEMA


def test_a_row_tells_the_crew_what_they_need():
    row = night(home("A", 0.97, fault="dead", leg="l2", kwh=11.0)).row(0, named=True)
    assert (row["suspected_fault"], row["leg"], row["fix_by"]) == ("dead", "l2", "visit")
    assert row["bring"].startswith("spare CT, 200 A; ")
    assert row["minutes_on_site"] == CATALOGUE["dead"].remedy.minutes
    assert row["kwh_per_day_wrong"] == 11.0
    assert (row["standing"], row["nights_listed"], row["since"]) == ("new tonight", 1, None)
    assert row["also_possible"] is None
    assert row["fault_likelihood"] == row["likelihood"] == pytest.approx(0.97)
    shared = night(home("A", 0.97, fault="dead", partial=0.11)).row(0, named=True)
    assert (shared["fault_likelihood"], shared["likelihood"]) == (pytest.approx(0.86), pytest.approx(0.97))


def test_what_a_setting_corrects_goes_to_the_office_and_needs_nothing():
    row = night(home("A", 0.9, fault="wrong_ratio", leg="both")).row(0, named=True)
    assert (row["fix_by"], row["bring"]) == ("office", "")


def test_a_home_with_a_fault_less_likely_than_sound_is_listed_for_its_likeliest_fault():
    row = night(home("A", 0.45, fault="partial", leg="l2")).row(0, named=True)
    assert (row["suspected_fault"], row["leg"], row["verdict"]) == ("partial", "l2", "unproven")


def test_homes_found_sound_are_left_out():
    visit = {"visit_id": "V1", "site_id": "A", "visited_on": date(2026, 5, 19), "found": "sound"}
    listed = night(home("A", 0.97), home("B", 0.6), visits=[visit])
    assert listed["site_id"].to_list() == ["B"]


def test_a_sure_home_ranks_above_a_doubtful_one_of_like_worth():
    listed = night(home("doubtful", 0.55, kwh=9.0), home("sure", 0.99, kwh=8.0))
    assert listed["site_id"].to_list() == ["sure", "doubtful"]


def test_energy_without_end_does_not_lift_an_unlikely_home():
    listed = night(home("huge", 0.55, kwh=300.0), home("sure", 0.97, kwh=5.0))
    assert listed["site_id"].to_list() == ["sure", "huge"]
    assert listed["kwh_per_day_wrong"].to_list() == [10.0, 600.0]


def test_of_equally_likely_homes_the_one_with_more_energy_comes_first():
    assert night(home("a", 0.9, kwh=2.0), home("b", 0.9, kwh=6.0))["site_id"].to_list() == ["b", "a"]


def test_suspects_come_before_unproven_homes_whatever_their_worth():
    listed = night(home("unproven", 0.49, kwh=90.0), home("suspect", 0.51, kwh=4.0))
    assert listed["site_id"].to_list() == ["suspect", "unproven"]
    assert listed["priority"].is_sorted()


def test_equal_homes_come_by_their_name_in_whatever_order_they_arrive():
    for order in itertools.permutations([home("a", 0.8), home("b", 0.8), home("c", 0.8)]):
        assert night(*order)["site_id"].to_list() == ["a", "b", "c"]


def test_the_list_has_an_end():
    listed = night(home("a", 0.6), home("b", 0.9), home("c", 0.7), settings=ranking(max_rows=2))
    assert listed["site_id"].to_list() == ["b", "c"]


def test_no_home_gives_an_empty_list_with_its_columns():
    listed = night(home("A", 0.02))
    assert listed.height == 0
    assert listed.schema == SCHEMA


def test_the_list_carries_what_its_priority_is_made_of():
    listed = night(home("a", 0.6), home("b", 0.9, fault="wrong_scope", leg="both"))
    made = listed["value_gain"] - listed["value_cost"] - listed["value_regret"]
    assert made.to_list() == pytest.approx(listed["priority"].to_list())
    row = listed.filter(pl.col("site_id") == "a").row(0, named=True)
    assert (row["chance_fixed"], row["drive_min"]) == (pytest.approx(0.9), SETTINGS.ranking.drive_min)
    assert row["kwh_so_far"] is None  # only the store's days know
    assert row["break_even"] < row["likelihood"]


def test_two_faults_that_look_alike_are_both_named_with_the_test_that_tells_them():
    row = night(home("A", 0.97, leg="both", legs_crossed=0.45, partial=0.02)).row(0, named=True)
    crossed = CATALOGUE["legs_crossed"]
    assert row["suspected_fault"] == "reversed"
    assert row["also_possible"] == (
        f"{crossed.title} 45 % (looks like: {spell_faults(crossed.looks_like)}. Test on site: {crossed.remedy.prove})"
    )


def test_other_faults_come_likeliest_first_and_never_sound():
    shares = {
        "reversed": 0.4,
        "dead": 0.1,
        "partial": 0.2,
        "loose_core": 0.09,
        "sound": 0.21,
        "same_leg": None,
    }
    told = also_possible(shares, "reversed", CATALOGUE, from_share=0.1)
    assert [part.split(" (looks like")[0] for part in told.split(" | ")] == [
        "part of the load outside the CTs 20 %",
        "no signal (open lead) 10 %",
    ]
