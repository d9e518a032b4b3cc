"""site_scores: one row a home of the register, with likelihood, verdict and the numbers behind them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from scored_homes import homes, night_scored, register, unseen_fleet

from pipeline.core.contract import SOUND
from pipeline.core.number_text import number
from pipeline.core.settings import Settings, load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.learning.labelled import Labelled, labelled_lake
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import SHOWN, Scored
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec, Wish

SETTINGS = load_settings()
VERDICTS = {"suspect", "unproven", "sound"}


def judged(**own: float) -> Settings:
    """The shipped settings with another [verdict]."""
    return SETTINGS.model_copy(update={"verdict": SETTINGS.verdict.model_copy(update=own)})


@pytest.fixture(scope="module")
def normal(model: Model) -> FleetNormal:
    """What is normal in a fleet of which nothing is known."""
    return unseen_fleet(model)


@pytest.fixture(scope="module")
def scored(fleet: Labelled, model: Model) -> Scored:
    """The fleet with its first home's rows taken away."""
    return night_scored(fleet.signals[1:], fleet.sites, model, SETTINGS)


def test_every_home_of_the_register_has_one_row(scored: Scored, fleet: Labelled) -> None:
    assert scored.scores["site_id"].to_list() == fleet.sites["site_id"].to_list()
    assert set(scored.scores["verdict"]) <= VERDICTS
    assert set(SHOWN) <= set(scored.scores.columns)


def test_a_home_without_rows_is_unproven_at_the_fleets_own_rate(scored: Scored) -> None:
    row = scored.scores.row(0, named=True)

    assert row["likelihood"] == scored.fleet.rate
    assert (row["contradiction"], row["record_cause"], row["record_likelihood"]) == (None, None, 0.0)
    assert (row["verdict"], row["suspected_fault"], row["leg"]) == ("unproven", None, None)
    assert row["likely_fault"] == max(CATALOGUE, key=row["fault_likelihoods"].__getitem__)
    assert row["evidence"] == row["unproven_why"] == "no rows in the window"
    assert row["unproven_need"] == "readings"
    assert (row["nights"], row["coverage_share"], row["is_clock_suspect"]) == (0, 0.0, False)
    assert sum(row["fault_likelihoods"].values()) == pytest.approx(1)
    assert row["fault_likelihoods"][SOUND] == pytest.approx(1 - scored.fleet.rate)


def test_the_likelihood_is_what_is_left_of_sound(scored: Scored) -> None:
    for row in scored.scores.to_dicts():
        shares = row["fault_likelihoods"]
        assert list(shares) == [*CATALOGUE, SOUND]
        assert sum(shares.values()) == pytest.approx(1)
        assert row["likelihood"] == pytest.approx(1 - shares[SOUND])


def test_a_home_that_may_not_be_called_sound_is_named_its_likeliest_fault(scored: Scored) -> None:
    told = scored.scores[1:].to_dicts()
    for row in told:
        shares = row["fault_likelihoods"]
        likeliest = row["likely_fault"]
        is_named = row["likelihood"] >= SETTINGS.verdict.sound
        assert shares[likeliest] == max(shares[name] for name in CATALOGUE)
        assert row["suspected_fault"] == (likeliest if is_named else None)
        assert row["leg"] == (row["likely_leg"] if is_named else None)
    assert {row["suspected_fault"] is None for row in told} == {True, False}


def test_a_suspect_is_named_a_fault_though_each_single_one_is_less_likely_than_sound(
    fleet: Labelled, model: Model
) -> None:
    """Hardly any evidence, in a fleet where faults are common: sound is the likeliest class."""
    kept = ("site_id", "service", "is_", "has_", "nights")
    blank = fleet.signals.with_columns(
        pl.lit(None).cast(kind).alias(name)
        for name, kind in fleet.signals.schema.items()
        if not name.startswith(kept)
    )
    # the rate at which a home of which nothing is known is likelier sound than any one fault
    told = night_scored(
        blank, fleet.sites, model, judged(suspect=1e-6), unseen_fleet(model, rate=0.15)
    ).scores

    shares = [row["fault_likelihoods"] for row in told.to_dicts()]
    assert all(max(held, key=held.__getitem__) == SOUND for held in shares)
    assert set(told["verdict"]) == {"suspect"}
    assert set(told["likely_fault"]) <= set(CATALOGUE)


def test_verdicts_follow_likelihood_and_proof(scored: Scored) -> None:
    own = SETTINGS.verdict
    for row in scored.scores.to_dicts():
        if row["likelihood"] >= own.suspect:
            assert (row["verdict"], row["unproven_why"]) == ("suspect", None)
        elif row["unproven_why"] is None:
            assert (row["verdict"], row["contradiction"]) == ("sound", None)
            assert row["likelihood"] < own.sound
        else:
            assert row["verdict"] == "unproven"


def test_a_reversed_leg_is_suspected_with_leg_and_numbers(
    tmp_path: Path, model: Model, normal: FleetNormal
) -> None:
    plain = (
        ("sees_pv", True),
        ("pv_added_back", False),
        ("is_clipped", False),
        ("cts_per_leg", 1),
        ("service", "120/240"),
    )
    wishes = {
        0: Wish(fault="reversed", leg="l2", hard="", values=plain),
        1: Wish(fault="", hard="", values=plain),
    }
    spec = FleetSpec(sites=2, days=6, minutes=15, seed=20, register_gap_share=0.0)
    write_lake(spec, tmp_path / "lake", wishes=wishes)
    seen = labelled_lake(tmp_path / "lake", tmp_path, spec.days, settings=SETTINGS)

    turned, right = night_scored(seen.signals, seen.sites, model, SETTINGS, normal).scores.to_dicts()

    assert (turned["suspected_fault"], turned["leg"], turned["verdict"]) == ("reversed", "l2", "suspect")
    assert (turned["likely_fault"], turned["likely_leg"]) == ("reversed", "l2")
    assert turned["slope_l2"] == pytest.approx(0.5, abs=0.1)
    assert number(turned["slope_l2"], 2, sign=True) in turned["evidence"]
    assert "L2 tracks PV with the wrong sign" in turned["evidence"]
    assert (right["suspected_fault"], right["leg"]) == (None, None)
    assert right["likely_fault"] in CATALOGUE


def test_legs_whose_voltages_part_under_load_are_flagged(fleet: Labelled, model: Model) -> None:
    loose = fleet.signals.with_columns(sag_v_per_kw=pl.when(pl.int_range(pl.len()) == 3).then(9.0))

    flags = night_scored(loose, fleet.sites, model, SETTINGS).scores["is_neutral_suspect"].to_list()

    assert [at for at, is_flagged in enumerate(flags) if is_flagged] == [3]


def test_the_onset_is_told_for_suspects_only(scored: Scored) -> None:
    rest = scored.scores.filter(pl.col("likelihood") < SETTINGS.verdict.suspect)
    assert rest.height > 0
    assert rest["onset_on"].null_count() == rest["onset_evidence"].null_count() == rest.height


def test_a_suspect_carries_the_day_and_the_numbers_of_its_change(fleet: Labelled, model: Model) -> None:
    at, told = (
        date(2026, 6, 3),
        "response of L1 to PV −0.50 W per W before, +0.50 W per W since (40 standard errors)",
    )
    changed = fleet.signals.with_columns(changed_on=pl.lit(at), change_told=pl.lit(told))

    suspects = night_scored(changed, fleet.sites, model, judged(suspect=0.0)).scores

    assert set(suspects.select("onset_on", "onset_evidence").iter_rows()) == {(at, told)}


def test_a_single_line_home_has_no_second_leg_to_suspect(fleet: Labelled, model: Model) -> None:
    single = fleet.signals.with_columns(service=pl.lit("single"))

    legs = set(night_scored(single, fleet.sites, model, SETTINGS).scores["likely_leg"])

    assert "l2" not in legs


TURNED = {
    "slope_l1": 0.5, "slope_l2": 0.49, "slope_sum": 0.99, "gain_l1": -1.0, "gain_l2": -0.98, "gain_sum": -0.99,
    "night_l1_w": -200.0, "night_l2_w": -220.0, "night_sum_w": -430.0, "night_l1_low_w": -2100.0,
    "night_l2_low_w": -2200.0, "night_sum_low_w": -4200.0, "night_l1_high_w": -60.0, "night_l2_high_w": -45.0,
    "night_sum_high_w": -165.0, "night_l1_negative_share": 1.0, "night_l2_negative_share": 1.0,
    "night_sum_negative_share": 1.0, "day_l1_negative_share": 0.45, "day_l2_negative_share": 0.46,
    "pv_corr_l1": 0.83, "pv_corr_l2": 0.83, "sky_corr_l1": 0.7, "sky_corr_l2": 0.7,
    "meter_l1": -1.0, "meter_l2": -1.01, "meter_gain_l1": -1.0, "meter_gain_l2": -0.99, "meter_energy_ratio": -1.0,
}  # fmt: skip
AGAINST_THE_VOLTAGES = {
    "sag_l1": 0.2,
    "sag_l2": -0.21,
    "sag_l1_z": 33.0,
    "sag_l2_z": -35.0,
    "sag_one_z": 18.0,
}


def test_leg_voltages_tell_turned_clamps_from_crossed_ones(model: Model, normal: FleetNormal) -> None:
    both_negative = homes([TURNED, {**TURNED, **AGAINST_THE_VOLTAGES}])

    scores = night_scored(both_negative, register(both_negative), model, SETTINGS, normal).scores

    assert scores.select("suspected_fault", "leg").rows() == [("legs_crossed", "both"), ("reversed", "both")]


def test_no_fault_is_asked_for_where_none_is_likely(model: Model, normal: FleetNormal) -> None:
    """Of a home that is surely sound nobody asks which fault and leg it has: faults share as the fleet has them."""
    uneven = {name: (0.45 if name == "dead" else 0.05) for name in CATALOGUE}
    right = homes([{}])
    there = FleetNormal(normal.normal, normal.rate, uneven, normal.table)

    row = night_scored(right, register(right), model, judged(ask_from=0.9), there).scores.row(0, named=True)

    assert (row["likely_fault"], row["likely_leg"], row["record_cause"]) == ("dead", None, None)
    shares: Mapping[str, float] = row["fault_likelihoods"]
    assert shares["dead"] / shares["partial"] == pytest.approx(9)


def test_of_equally_likely_faults_the_first_of_the_catalogue_is_told(
    model: Model, normal: FleetNormal
) -> None:
    right = homes([{}])
    even = FleetNormal(normal.normal, normal.rate, dict.fromkeys(CATALOGUE, 1 / len(CATALOGUE)), normal.table)

    row = night_scored(right, register(right), model, judged(ask_from=0.9), even).scores.row(0, named=True)

    assert row["likely_fault"] == next(iter(CATALOGUE)) != model.faults[0]


def test_a_home_alone_is_scored_as_among_others(fleet: Labelled, model: Model, normal: FleetNormal) -> None:
    """To the last digit: what is said of a home is no matter of who is scored beside it."""
    whole = night_scored(fleet.signals, fleet.sites, model, SETTINGS, normal).scores
    alone = [
        night_scored(fleet.signals[at : at + 1], fleet.sites[at : at + 1], model, SETTINGS, normal).scores
        for at in range(fleet.signals.height)
    ]

    assert fleet.signals["site_id"].to_list() == fleet.sites["site_id"].to_list()
    for at, one in enumerate(alone):
        assert one.row(0) == whole.row(at)
