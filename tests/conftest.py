"""What several tests share: a small simulated fleet looked at once, and a model that is quick to fit."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline import classifier
from pipeline.classifier import Model
from pipeline.contract import SOUND
from pipeline.evidence import all_pieces
from pipeline.faults import CATALOGUE
from pipeline.settings import load_settings
from pipeline.simulate.spec import FleetSpec
from pipeline.training import Labelled, labelled_fleet


@pytest.fixture(scope="session")
def fleet() -> Labelled:
    """Twelve homes over five days of half hours, half of them with a fault."""
    spec = FleetSpec(sites=12, days=5, minutes=30, seed=4, fault_share=0.5)
    return labelled_fleet(spec, CATALOGUE, load_settings())


@pytest.fixture(scope="session")
def model() -> Model:
    """A model in which a fault's own pieces speak for it, and those of a sound install for sound."""
    owners = [owner for owner, _ in all_pieces(CATALOGUE)]
    pieces = tuple(piece.name for _, piece in all_pieces(CATALOGUE))
    labels = np.array([SOUND] * 24 + [name for name in CATALOGUE for _ in range(6)])
    is_own = labels[:, None] == np.array(owners)[None, :]
    rng = np.random.default_rng(1)
    values = np.where(is_own, rng.uniform(0.6, 1.0, is_own.shape), rng.uniform(0.0, 0.4, is_own.shape))
    values[rng.random(values.shape) < 0.2] = np.nan
    return classifier.fit(values, labels, np.ones(labels.size), pieces, 0.3, {"made": "for tests"})
