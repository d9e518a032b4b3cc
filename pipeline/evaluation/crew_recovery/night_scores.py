"""Likelihoods that the night itself gives to homes whose truth is known, to draw fleets of crews from.

Drawn evidence is as good as its likelihoods say. The night's isn't: some faults can't be seen at all, an onset may
be dated wrongly, and the base rate is another fleet's. A thousand simulated homes go through intake, window and
classifier once, and every crew's homes then draw theirs from what came out.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from pipeline.core.contract import SOUND
from pipeline.core.settings import Settings
from pipeline.crews.fleet import EDGE
from pipeline.faults.catalogue import CATALOGUE
from pipeline.learning.labelled import labelled_lake
from pipeline.scoring.fleet_normal import learn_normal
from pipeline.scoring.model_file import load_model
from pipeline.scoring.score_homes import score
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

Float = NDArray[np.float64]
FAULT_SHARE = 0.4


@dataclass(frozen=True)
class NightScores:
    """Log odds of the likelihood of a fault at commissioning: of homes that are `right`, and of those `wrong`.

    `base_rate` the share of faulty homes that they were worked out for.
    """

    right: Float
    wrong: Float
    base_rate: float

    def draw(self, is_wrong: Float, rng: np.random.Generator) -> Float:
        """Return log odds of a likelihood for each home, one of those of its kind."""
        right, wrong = (rng.choice(scores, is_wrong.size) for scores in (self.right, self.wrong))
        return np.where(is_wrong > 0, wrong, right)


def score_simulated_homes(sites: int, seed: int, settings: Settings, *, workers: int) -> NightScores:
    """Return the scores of simulated homes, FAULT_SHARE of them with a fault from the first day.

    A fault that the night dates to a later day counts nothing against the crew, as in table crew_home.

    Parameters
    ----------
    sites
        How many homes.
    seed
        Of the fleet.
    settings
        Of the night.
    workers
        Processes to share the simulation.
    """
    spec = FleetSpec(sites=sites, seed=seed, fault_share=FAULT_SHARE, onset_share=0.0)
    with TemporaryDirectory(prefix="nightclamp-") as folder:
        root = Path(folder)
        write_lake(spec, root / "lake", workers=workers)
        fleet = labelled_lake(root / "lake", root, spec.days, settings=settings)
    model = load_model()
    normal = learn_normal(fleet.signals, model, settings.verdict)
    scores = score(
        fleet.signals, fleet.sites, normal, model=model, catalogue=CATALOGUE, settings=settings.verdict
    )
    truth = fleet.truth.select("site_id", is_wrong=(pl.col("fault") != SOUND).fill_null(False))
    homes = scores.join(truth, on="site_id", how="left", maintain_order="left").select(
        "is_wrong", likelihood=pl.when(pl.col("onset_on").is_null()).then("likelihood").otherwise(0.0)
    )
    log_odds = special.logit(np.clip(homes["likelihood"].to_numpy(), EDGE, 1 - EDGE))
    is_wrong = homes["is_wrong"].to_numpy()
    return NightScores(np.sort(log_odds[~is_wrong]), np.sort(log_odds[is_wrong]), normal.rate)
