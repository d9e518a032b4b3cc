"""site_weight: why a home is suspected, the fleet's own odds and the probes adding up to its score."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scored_homes import night_scored

from pipeline.core.settings import load_settings
from pipeline.learning.labelled import Labelled
from pipeline.probes import names_of, probes_of
from pipeline.probes.leg_text import NOT_KNOWN
from pipeline.scoring.model import Model
from pipeline.scoring.score_breakdown import site_weights
from pipeline.scoring.score_homes import Scored
from pipeline.scoring.sentences import probe_sentences

NAMES = names_of(2)
PROBES = probes_of(2)

SETTINGS = load_settings()


@pytest.fixture(scope="module")
def scored(fleet: Labelled, model: Model) -> Scored:
    """The fleet with its first home's rows taken away, every home asked which fault it may have."""
    own = SETTINGS.model_copy(update={"verdict": SETTINGS.verdict.model_copy(update={"ask_from": 1e-12})})
    return night_scored(fleet.signals[1:], fleet.sites, model, own)


def weights_of(scored: Scored, homes: list[str], model: Model) -> pl.DataFrame:
    return site_weights(scored.scores, scored.signals, homes, fleet=scored.fleet, model=model)


def test_weights_add_up_to_the_log_odds_of_the_likelihood(
    scored: Scored, fleet: Labelled, model: Model
) -> None:
    """Of every home with data; one without has no rows."""
    homes = fleet.signals["site_id"][1:].to_list()
    weights = weights_of(scored, [*homes, fleet.sites["site_id"][0]], model)

    assert weights["site_id"].unique(maintain_order=True).to_list() == homes
    for site in homes:
        rows = weights.filter(site_id=site)
        told = scored.scores.filter(site_id=site).row(0, named=True)
        assert rows["probe"].to_list()[0] == "prior"
        assert sorted(rows["probe"].to_list()[1:]) == sorted(NAMES)
        odds = told["likelihood"] / (1 - told["likelihood"])
        assert rows["weight"].sum() == pytest.approx(np.log(odds), abs=1e-9)
        assert rows["ordinal"].to_list() == list(range(rows.height))
        assert set(rows["state"]) <= {"supports", "against", "cannot tell"}


def test_what_tells_the_fault_adds_up_to_how_many_times_likelier_it_is_than_the_next(
    scored: Scored, fleet: Labelled, model: Model
) -> None:
    homes = fleet.signals["site_id"][1:].to_list()
    weights = weights_of(scored, homes, model)

    for site in homes:
        rows = weights.filter(site_id=site)
        told = scored.scores.filter(site_id=site).row(0, named=True)
        shares = told["fault_likelihoods"]
        (other,) = rows["which_against"].unique()
        rest = {name: shares[name] for name in model.faults if name != told["likely_fault"]}
        assert other == max(rest, key=rest.__getitem__)
        ratio = np.log(shares[told["likely_fault"]] / shares[other])
        assert rows["which_weight"].sum() == pytest.approx(ratio, abs=1e-9)


def test_the_heaviest_probe_comes_first_and_each_tells_its_numbers(
    scored: Scored, fleet: Labelled, model: Model
) -> None:
    site = fleet.signals["site_id"][1]
    rows = weights_of(scored, [site], model)[1:]
    signals = scored.signals.filter(site_id=site)
    said = {probe.name: probe_sentences(probe, signals)[0] for probe in PROBES}
    labels = {probe.name: probe.label for probe in PROBES}

    assert np.all(np.diff(rows["weight"].abs().to_numpy()) <= 0)
    for row in rows.iter_rows(named=True):
        assert row["label"] == labels[row["probe"]]
        if row["state"] == "cannot tell":
            assert row["sentence"] == NOT_KNOWN
        else:
            assert row["sentence"] == said[row["probe"]]
            assert row["state"] == ("supports" if row["weight"] > 0 else "against")


def test_a_weight_is_told_as_odds_and_a_value_in_spreads_of_the_fleet(
    scored: Scored, fleet: Labelled, model: Model
) -> None:
    homes = fleet.signals["site_id"][1:].to_list()
    rows = weights_of(scored, homes, model)

    for row in rows.iter_rows(named=True):
        if abs(row["weight"]) > 0.2:
            assert ("for a fault" if row["weight"] > 0 else "against a fault") in row["strength"]
        elif abs(row["weight"]) < 0.09:
            assert row["strength"] == "says little"
    by_probe = dict(rows.group_by("probe").agg(pl.col("value").is_not_null().any()).iter_rows())
    assert not by_probe["prior"]
    assert not by_probe["register"]  # the record is held against no fleet
    assert by_probe["nights"]


def test_homes_keep_their_order_and_none_gives_no_rows(scored: Scored, fleet: Labelled, model: Model) -> None:
    homes = fleet.signals["site_id"][1:4].to_list()[::-1]

    told = weights_of(scored, homes, model)

    assert told["site_id"].unique(maintain_order=True).to_list() == homes
    none = weights_of(scored, [], model)
    assert (none.height, none.schema) == (0, told.schema)
