"""Small fleets: a few homes at a time out of a scored fleet, each cut with a normal that it learns by itself."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.core.settings import Settings
from pipeline.evaluation.validation.judged import judge, pool
from pipeline.evaluation.validation.reading import Reading, ScoredNight
from pipeline.faults.catalogue import CATALOGUE
from pipeline.scoring.fleet_normal import learn_normal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import score

HOMES = 60


def small_fleets(
    night: ScoredNight, reading: Reading, model: Model, settings: Settings, cuts: int, seed: int
) -> pl.DataFrame:
    """Return `judge`'s frame of the homes of `cuts` fleets of HOMES homes, as one.

    The same cut never has a home twice; a home comes again only when all have been cut.
    """
    every = night.scores["site_id"].sort().to_list()
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(60,)))
    parts: list[pl.DataFrame] = []
    order: list[str] = []
    for _ in range(cuts):
        if len(order) < min(HOMES, len(every)):
            order = [every[at] for at in rng.permutation(len(every))]
        some, order = order[:HOMES], order[HOMES:]
        is_in = pl.col("site_id").is_in(some)
        signals, sites = night.view.signals.filter(is_in), reading.registers.sites.filter(is_in)
        fleet = learn_normal(signals, model, settings.verdict)
        scores = score(signals, sites, fleet, model=model, catalogue=CATALOGUE, settings=settings.verdict)
        parts.append(judge(scores, reading.truth, reading.carries, night.as_of))
    return pool(parts)
