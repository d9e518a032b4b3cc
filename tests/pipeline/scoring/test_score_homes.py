"""site_scores: one row a home of the register, with likelihood, verdict and the numbers behind them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline import classifier
from pipeline.classifier import Model
from pipeline.contract import SOUND
from pipeline.faults import CATALOGUE
from pipeline.scoring import SHOWN, Scored, score, settle
from pipeline.settings import Settings, load_settings
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec, Wish
from pipeline.learning.labelled import Labelled, labelled_lake

SETTINGS = load_settings()
VERDICTS = {"suspect", "unproven", "sound"}


def judged(**own: float) -> Settings:
    """The shipped settings with another [verdict]."""
    return SETTINGS.model_copy(update={"verdict": SETTINGS.verdict.model_copy(update=own)})


@pytest.fixture(scope="module")
def scored(fleet: Labelled, model: Model) -> Scored:
    """The fleet with its first home's rows taken away."""
    return score(fleet.signals[1:], fleet.sites, model, CATALOGUE, SETTINGS)


def test_every_home_of_the_register_has_one_row(scored: Scored, fleet: Labelled) -> None:
    assert scored.scores["site_id"].to_list() == fleet.sites["site_id"].to_list()
    assert set(scored.scores["verdict"]) <= VERDICTS
    assert set(SHOWN) <= set(scored.scores.columns)


def test_a_home_without_rows_is_unproven_at_the_base_rate(scored: Scored) -> None:
    row = scored.scores.row(0, named=True)

    assert row["likelihood"] == SETTINGS.verdict.base_rate
    assert (row["verdict"], row["suspected_fault"], row["leg"]) == ("unproven", SOUND, None)
    assert row["evidence"] == row["unproven_why"] == "no rows in the window"
    assert (row["nights"], row["coverage_share"], row["is_clock_suspect"]) == (0, 0.0, False)
    assert sum(row["fault_likelihoods"].values()) == pytest.approx(1)
    assert row["fault_likelihoods"][SOUND] == pytest.approx(1 - SETTINGS.verdict.base_rate)


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
        likeliest = max(CATALOGUE, key=shares.__getitem__)
        is_named = row["likelihood"] >= SETTINGS.verdict.sound
        assert row["likely_fault"] == likeliest
        assert row["suspected_fault"] == (likeliest if is_named else SOUND)
        assert row["leg"] == (row["likely_leg"] if is_named else None)
    assert {row["suspected_fault"] == SOUND for row in told} == {True, False}


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
    scores = score(blank, fleet.sites, model, CATALOGUE, judged(base_rate=0.15, suspect=0.3)).scores

    shares = [row["fault_likelihoods"] for row in scores.to_dicts()]
    assert all(max(held, key=held.__getitem__) == SOUND for held in shares)
    assert set(scores["verdict"]) == {"suspect"}
    assert set(scores["suspected_fault"]) <= set(CATALOGUE)


def test_verdicts_follow_likelihood_and_proof(scored: Scored) -> None:
    own = SETTINGS.verdict
    for row in scored.scores.to_dicts():
        if row["likelihood"] >= own.suspect:
            assert (row["verdict"], row["unproven_why"]) == ("suspect", None)
        elif row["unproven_why"] is None:
            assert row["verdict"] == "sound"
            assert row["likelihood"] < own.sound
        else:
            assert row["verdict"] == "unproven"


FEW_RAMPS = "too few PV ramps and no utility meter: nothing proves the scale"
UNKNOWN = "no utility meter, and the register doesn't say whether the clamps see the sun"
NO_SUN = "clamps that don't see the sun and no utility meter: nothing proves the scale"


@pytest.mark.parametrize(
    ("is_upstream", "has_probe", "meter_share", "why"),
    [
        (True, True, 0.0, None),
        (True, True, 1.0, None),
        (True, False, 0.0, FEW_RAMPS),
        (True, False, None, FEW_RAMPS),
        (True, False, 0.9, None),
        # production is reported and tells the clock, but a clamp at the loads shows nothing of it
        (False, True, 0.0, NO_SUN),
        (False, False, 0.0, NO_SUN),
        (False, True, 0.4, NO_SUN),
        (False, True, 0.9, None),
        (None, True, 0.0, UNKNOWN),
        (None, True, 0.9, None),
    ],
)
def test_a_home_is_sound_only_if_sun_or_meter_prove_the_scale(
    is_upstream: bool | None,
    has_probe: bool,
    meter_share: float | None,
    why: str | None,
    fleet: Labelled,
    model: Model,
) -> None:
    """With every home likely enough to be sound, only the proof decides; loads prove no scale, however many."""
    known = fleet.signals.with_columns(
        is_declared_upstream=pl.lit(is_upstream, pl.Boolean),
        has_probe=pl.lit(has_probe),
        meter_share=pl.lit(meter_share, pl.Float64),
        nights=pl.lit(28),
        pair_n=pl.lit(500.0),
        sag_l1_z=pl.lit(-30.0),
    )

    scores = score(known, fleet.sites, model, CATALOGUE, judged(suspect=1.1, sound=1.1)).scores

    assert set(scores["verdict"]) == {"sound" if why is None else "unproven"}
    assert set(scores["unproven_why"]) == {why}


def test_a_home_seen_for_too_few_nights_is_never_sound(fleet: Labelled, model: Model) -> None:
    least = SETTINGS.verdict.min_nights
    few = fleet.signals.with_columns(
        nights=pl.lit(least - 1),
        is_declared_upstream=pl.lit(True),
        has_probe=pl.lit(True),
        meter_share=pl.lit(1.0),
    )
    enough = few.with_columns(nights=pl.lit(least))
    settings = judged(suspect=1.1, sound=1.1)

    unproven = score(few, fleet.sites, model, CATALOGUE, settings).scores
    assert set(unproven["verdict"]) == {"unproven"}
    assert set(unproven["unproven_why"]) == {f"{least - 1} nights of data, {least} are needed"}
    assert set(score(enough, fleet.sites, model, CATALOGUE, settings).scores["verdict"]) == {"sound"}


def test_a_home_with_all_proof_between_sound_and_suspect_says_that_the_evidence_disagrees(
    fleet: Labelled, model: Model
) -> None:
    proved = fleet.signals.with_columns(
        nights=pl.lit(28), is_declared_upstream=pl.lit(True), has_probe=pl.lit(True)
    )

    scores = score(proved, fleet.sites, model, CATALOGUE, judged(suspect=1.1, sound=0.0)).scores

    assert set(scores["verdict"]) == {"unproven"}
    assert set(scores["unproven_why"]) == {"evidence for a fault and against it"}
    assert set(scores["suspected_fault"]) <= set(CATALOGUE)


def test_a_reversed_leg_is_suspected_with_leg_and_numbers(tmp_path: Path) -> None:
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
    homes = labelled_lake(tmp_path / "lake", tmp_path, spec.days, CATALOGUE, SETTINGS)

    turned, right = score(
        homes.signals, homes.sites, classifier.load(), CATALOGUE, SETTINGS
    ).scores.to_dicts()

    assert (turned["suspected_fault"], turned["leg"], turned["verdict"]) == ("reversed", "l2", "suspect")
    assert (turned["likely_fault"], turned["likely_leg"]) == ("reversed", "l2")
    assert turned["slope_l2"] == pytest.approx(0.5, abs=0.1)
    assert f"{turned['slope_l2']:+.2f}" in turned["evidence"]
    assert (right["suspected_fault"], right["leg"]) == (SOUND, None)
    assert right["likely_fault"] != SOUND


def test_legs_whose_voltages_part_under_load_are_flagged(fleet: Labelled, model: Model) -> None:
    loose = fleet.signals.with_columns(sag_v_per_kw=pl.when(pl.int_range(pl.len()) == 3).then(9.0))

    flags = score(loose, fleet.sites, model, CATALOGUE, SETTINGS).scores["is_neutral_suspect"].to_list()

    assert [at for at, is_flagged in enumerate(flags) if is_flagged] == [3]


def test_the_onset_is_told_for_suspects_only(scored: Scored) -> None:
    rest = scored.scores.filter(pl.col("likelihood") < SETTINGS.verdict.suspect)
    assert rest.height > 0
    assert rest["onset_on"].null_count() == rest["onset_evidence"].null_count() == rest.height


def test_a_suspect_carries_the_day_and_the_numbers_of_its_change(fleet: Labelled, model: Model) -> None:
    at, told = date(2026, 6, 3), "slope of L1 on PV -0.50 W per W -> +0.50 W per W, 40 standard errors"
    changed = fleet.signals.with_columns(changed_on=pl.lit(at), change_told=pl.lit(told))

    suspects = score(changed, fleet.sites, model, CATALOGUE, judged(suspect=0.0)).scores

    assert set(suspects.select("onset_on", "onset_evidence").iter_rows()) == {(at, told)}


def test_a_single_line_home_has_no_second_leg_to_suspect(fleet: Labelled, model: Model) -> None:
    single = fleet.signals.with_columns(service=pl.lit("single"))

    legs = set(score(single, fleet.sites, model, CATALOGUE, SETTINGS).scores["likely_leg"])

    assert "l2" not in legs


def test_leg_voltages_settle_twins_and_silence_leaves_them_their_share(fleet: Labelled) -> None:
    at = {name: column for column, name in enumerate(fleet.weighed.names)}
    classes = ("legs_crossed", "reversed", "sound")
    values = np.full((3, len(at)), np.nan)
    values[0, at["both_turned"]] = 1.0
    values[1, at["crossed_sag"]] = 1.0
    share = np.array([[0.6, 0.3, 0.1]] * 3)

    settled = settle(share, replace(fleet.weighed, values=values), classes, CATALOGUE)

    assert settled == pytest.approx(np.array([[0.0, 0.9, 0.1], [0.9, 0.0, 0.1], [0.6, 0.3, 0.1]]))
