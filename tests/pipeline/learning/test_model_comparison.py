"""The trained model against the shipped one: measured alike, told in words, won only by more than chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.core.contract import SOUND
from pipeline.core.settings import load_settings
from pipeline.learning.labelled import Labelled
from pipeline.learning.model_comparison import compare, comparison_lines, gain_z, measure_model
from pipeline.scoring.fleet_normal import FleetNormal, learn_normal
from pipeline.scoring.model import Model

SETTINGS = load_settings()


@pytest.fixture(scope="module")
def held_out(fleet: Labelled) -> Labelled:
    return replace(fleet, truth=fleet.truth.with_columns(pl.lit(1.0).alias("weight")))


@pytest.fixture(scope="module")
def normal(fleet: Labelled, model: Model) -> FleetNormal:
    """What is normal in the fleet that the homes are from."""
    return learn_normal(fleet.signals, model, SETTINGS.verdict)


@pytest.fixture(scope="module")
def worse(model: Model) -> Model:
    """A model that is deaf to everything but the record and takes every home for a suspect."""
    deaf = dict.fromkeys(("sun", "nights", "meter", "sag", "zeros", "daylight", "mirror", "pairs"), 0.0)
    return replace(model, probe_slope=deaf, intercept=model.intercept + 2.0)


def test_measures_are_weighed_to_the_base_rate(model: Model, held_out: Labelled, normal: FleetNormal) -> None:
    found = measure_model(model, held_out, normal, settings=SETTINGS, rate=0.05)
    is_faulty = (held_out.truth["fault"] != SOUND).to_numpy()

    assert found.weights[is_faulty].sum() == pytest.approx(0.05)
    assert found.weights.sum() == pytest.approx(1)
    by_fault = dict(zip(held_out.truth["fault"], found.weights, strict=True))
    counts = dict(held_out.truth["fault"].value_counts().iter_rows())
    assert len({round(by_fault[name] * counts[name], 9) for name in by_fault if name != SOUND}) == 1
    assert 0 <= found.measures["average_precision"] <= 1
    assert found.measures["likelihood_loss"] <= found.measures["log_loss"]
    assert found.measures["log_loss"] == pytest.approx(found.weights @ found.losses)


def test_homes_as_they_are_keep_their_own_weights_and_the_model_its_base_rate(
    model: Model, held_out: Labelled, normal: FleetNormal
) -> None:
    seldom, often = (replace(model, base_rate=rate) for rate in (0.001, 0.6))
    usual = measure_model(seldom, held_out, normal, settings=SETTINGS, rate=0.05)

    assert usual.losses == pytest.approx(
        measure_model(often, held_out, normal, settings=SETTINGS, rate=0.05).losses
    )
    assert measure_model(seldom, held_out, normal, settings=SETTINGS, rate=None).losses != pytest.approx(
        measure_model(often, held_out, normal, settings=SETTINGS, rate=None).losses
    )


def test_other_findings_are_no_ground_for_a_comparison(
    model: Model, held_out: Labelled, normal: FleetNormal
) -> None:
    odd = held_out.truth.with_columns(pl.lit("other").alias("fault"))
    some = pl.concat([odd[:3], held_out.truth[3:]])

    assert (
        len(measure_model(model, replace(held_out, truth=some), normal, settings=SETTINGS, rate=None).homes)
        == 9
    )


def test_copies_of_a_home_count_as_one() -> None:
    """Two copies that gain 1 each are one home that gains 2."""
    gain = np.array([1.0, 1.0, 0.5, 0.0])
    apart, together = gain_z(("a", "b", "c", "d"), gain), gain_z(("a~0", "a~1", "b~0", "c~0"), gain)

    assert together == pytest.approx(2.5 / np.sqrt(3 * np.var([2, 0.5, 0], ddof=1)))
    assert 0 < together < apart


def test_a_model_does_not_beat_itself(model: Model, held_out: Labelled, normal: FleetNormal) -> None:
    result = compare(model, model, held_out, visited=None, fleet=normal, settings=SETTINGS)

    assert result["is_better"] is False
    assert result["log_loss_z"] == 0
    assert "visits" not in result
    assert comparison_lines(result)[-1].startswith("the trained model does not beat the shipped one")


def test_a_model_that_knows_more_wins_and_visits_may_speak_against_it(
    model: Model, worse: Model, held_out: Labelled, normal: FleetNormal
) -> None:
    won = compare(worse, model, held_out, visited=held_out, fleet=normal, settings=SETTINGS)
    lost = compare(model, worse, held_out, visited=None, fleet=normal, settings=SETTINGS)

    assert won["is_better"] is True
    assert won["visits"]["homes"] == 12
    assert lost["is_better"] is False
    assert won["measures"]["log_loss"]["trained"] == lost["measures"]["log_loss"]["shipped"]
    assert any("held-out visits" in line for line in comparison_lines(won))

    misled = held_out.truth.with_columns(
        pl.when(pl.col("fault") == SOUND).then(pl.lit("dead")).otherwise(pl.lit(SOUND)).alias("fault")
    )
    strict = SETTINGS.own_fleet.model_copy(update={"veto_z": 0.5})  # twelve homes say little
    settings = SETTINGS.model_copy(update={"own_fleet": strict})
    vetoed = compare(
        worse, model, held_out, visited=replace(held_out, truth=misled), fleet=normal, settings=settings
    )
    assert vetoed["is_better"] is False
    assert "visits" in vetoed["why"]
