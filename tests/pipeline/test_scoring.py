"""site_scores: one row a home of the register, with likelihood, verdict and the numbers behind them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline import classifier
from pipeline.classifier import Model
from pipeline.contract import SOUND
from pipeline.evidence import all_pieces
from pipeline.faults import CATALOGUE
from pipeline.scoring import SHOWN, Scored, score, sentence, settle, site_weights
from pipeline.settings import load_settings
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec, Wish
from pipeline.training import Labelled, labelled_lake

SETTINGS = load_settings()
VERDICTS = {"suspect", "unproven", "sound"}


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
    assert row["evidence"] == "no rows in the window"
    assert (row["nights"], row["coverage_share"], row["is_clock_suspect"]) == (0, 0.0, False)
    assert sum(row["fault_likelihoods"].values()) == pytest.approx(1)
    assert row["fault_likelihoods"][SOUND] == pytest.approx(1 - SETTINGS.verdict.base_rate)


def test_the_likelihood_is_what_is_left_of_sound(scored: Scored) -> None:
    for row in scored.scores.to_dicts():
        shares = row["fault_likelihoods"]
        assert list(shares) == [*CATALOGUE, SOUND]
        assert sum(shares.values()) == pytest.approx(1)
        assert row["likelihood"] == pytest.approx(1 - shares[SOUND])
        assert shares[row["suspected_fault"]] == max(shares.values())


def test_verdicts_follow_likelihood_and_proof(scored: Scored) -> None:
    own = SETTINGS.verdict
    for row in scored.scores.to_dicts():
        is_sound = row["likelihood"] < own.sound and row["has_proof"]
        assert row["verdict"] == (
            "suspect" if row["likelihood"] >= own.suspect else "sound" if is_sound else "unproven"
        )


def test_a_home_seen_for_too_few_nights_is_never_sound(fleet: Labelled, model: Model) -> None:
    few = fleet.signals.with_columns(nights=pl.lit(SETTINGS.verdict.min_nights - 1))

    assert "sound" not in set(score(few, fleet.sites, model, CATALOGUE, SETTINGS).scores["verdict"])


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
    assert scored.scores.filter(pl.col("likelihood") < SETTINGS.verdict.suspect)[
        "onset_on"
    ].null_count() == len(scored.scores.filter(pl.col("likelihood") < SETTINGS.verdict.suspect))


def test_a_single_line_home_has_no_second_leg_to_suspect(fleet: Labelled, model: Model) -> None:
    single = fleet.signals.with_columns(service=pl.lit("single"))

    legs = set(score(single, fleet.sites, model, CATALOGUE, SETTINGS).scores["likely_leg"])

    assert "l2" not in legs


def test_weights_explain_the_score(scored: Scored, fleet: Labelled, model: Model) -> None:
    homes = fleet.signals["site_id"][1:4].to_list()
    weights = site_weights(scored, [*homes, fleet.sites["site_id"][0]], model, CATALOGUE, SETTINGS)

    assert weights["site_id"].unique(maintain_order=True).to_list() == homes
    for site in homes:
        rows = weights.filter(site_id=site)
        told = scored.scores.filter(site_id=site).row(0, named=True)
        assert rows["piece"][0] == "prior"
        assert rows.height == 1 + len(all_pieces(CATALOGUE))
        odds = told["fault_likelihoods"][told["likely_fault"]] / told["fault_likelihoods"][SOUND]
        assert rows["weight"].sum() == pytest.approx(pl.Series([odds]).log()[0], abs=1e-6)
        assert set(rows["state"]) <= {"supports", "against", "cannot tell"}
        silent = rows.filter(pl.col("state") == "cannot tell")
        assert silent["value"].null_count() == silent.height
        assert rows["ordinal"].to_list() == list(range(rows.height))


@pytest.mark.parametrize(("value", "told"), [(0.5, "+0.50"), (None, "n/a"), (float("nan"), "n/a")])
def test_a_sentence_with_a_missing_number_says_so(value: float | None, told: str) -> None:
    assert sentence("slope {slope:+.2f} W per W", {"slope": value}) == f"slope {told} W per W"


def test_leg_voltages_settle_twins_and_silence_leaves_them_their_share(fleet: Labelled) -> None:
    at = {name: column for column, name in enumerate(fleet.weighed.names)}
    classes = ("legs_crossed", "reversed", "sound")
    values = np.full((3, len(at)), np.nan)
    values[0, at["both_turned"]] = 1.0
    values[1, at["crossed_sag"]] = 1.0
    share = np.array([[0.6, 0.3, 0.1]] * 3)

    settled = settle(share, replace(fleet.weighed, values=values), classes, CATALOGUE)

    assert settled == pytest.approx(np.array([[0.0, 0.9, 0.1], [0.9, 0.0, 0.1], [0.6, 0.3, 0.1]]))
