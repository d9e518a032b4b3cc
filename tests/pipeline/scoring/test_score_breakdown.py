"""site_weight: why a home is suspected, prior and pieces adding up to its score."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.classifier import Model
from pipeline.contract import SOUND
from pipeline.evidence import all_pieces
from pipeline.faults import CATALOGUE
from pipeline.scoring import Scored, score
from pipeline.settings import load_settings
from pipeline.site_weight import site_weights
from pipeline.telling import sentence
from pipeline.learning.labelled import Labelled

SETTINGS = load_settings()


@pytest.fixture(scope="module")
def scored(fleet: Labelled, model: Model) -> Scored:
    """The fleet with its first home's rows taken away."""
    return score(fleet.signals[1:], fleet.sites, model, CATALOGUE, SETTINGS)


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


def test_the_heaviest_piece_comes_first_and_each_tells_its_numbers(
    scored: Scored, fleet: Labelled, model: Model
) -> None:
    site = fleet.signals["site_id"][1]
    rows = site_weights(scored, [site], model, CATALOGUE, SETTINGS)[1:]
    at = scored.signals["site_id"].to_list().index(site)
    pieces = {piece.name: piece for _, piece in all_pieces(CATALOGUE)}
    numbers = scored.signals.row(at, named=True)

    assert np.all(np.diff(rows["weight"].abs().to_numpy()) <= 0)
    for row in rows.iter_rows(named=True):
        piece = pieces[row["piece"]]
        if row["value"] is None:
            assert (row["state"], row["sentence"]) == ("cannot tell", "no data for this")
        else:
            assert row["sentence"] == sentence(piece.sentence, numbers)
        is_silenced = row["value"] is not None and row["value"] < 0.5
        assert row["label"].startswith("Not so: ") == is_silenced


def test_homes_keep_their_order_and_none_gives_no_rows(scored: Scored, fleet: Labelled, model: Model) -> None:
    homes = fleet.signals["site_id"][1:4].to_list()[::-1]

    told = site_weights(scored, homes, model, CATALOGUE, SETTINGS)

    assert told["site_id"].unique(maintain_order=True).to_list() == homes
    none = site_weights(scored, [], model, CATALOGUE, SETTINGS)
    assert (none.height, none.schema) == (0, told.schema)
