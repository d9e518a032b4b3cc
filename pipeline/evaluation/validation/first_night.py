"""What a first night says of a fleet beside its likelihoods: how many homes it lists, its rate, its crews' rates.

Each is compared with the truth, so that likelihoods which are good for ranking but not for counting are seen.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.binomial_intervals import Z
from pipeline.core.contract import SOUND
from pipeline.crews import crew_tables
from pipeline.evaluation.validation.nights import ScoredNight, StoredLake
from pipeline.faults.catalogue import CATALOGUE
from pipeline.scoring.score_homes import Scored
from pipeline.worklist.planned_visits import PLANS
from pipeline.worklist.tables import worklist_tables

Float = NDArray[np.float64]
RATES = np.exp(np.linspace(np.log(1e-5), np.log(0.9), 2000))
EDGE = 1e-12  # likelihoods stay this far from 0 and 1


def summarize_first_night(night: ScoredNight, stored: StoredLake) -> dict[str, Any]:
    """Return what the night would publish of its fleet, with nothing carried on from a night before.

    `listed` homes on the list, `above_cut` of them worth going to. `rate` the share of faulty homes that it works with
    and the ends of its 95 % interval (`rate_low`, `rate_high`). `installs_rate` the share of installs wrong from the
    first day, `installs_true` in truth. Of `crews` with homes `crews_held` have their true rate in the published
    interval; `stand_out` are called unlike the others.
    """
    scored = Scored(night.scores, night.view.signals, night.fleet)
    lists = worklist_tables(
        scored, stored.registers, night.view.daily, plans=pl.DataFrame(schema=PLANS), previous=None,
        as_of=night.as_of, settings=stored.settings,
    )  # fmt: skip
    listed = lists["revisit_list"]
    tables = crew_tables(
        scored, stored.registers, lists["promise"], catalogue=CATALOGUE, settings=stored.settings
    )
    crews = compare_crews(tables["crew_quality"], tables["crew_home"], stored.truth)
    is_wrong = _installs(tables["crew_home"], stored.truth)["is_truly_wrong"]
    has_signals = pl.col("site_id").is_in(night.view.signals["site_id"].implode())
    low, high = rate_interval(night.scores.filter(has_signals)["likelihood"].to_numpy(), night.fleet.rate)
    return {
        "listed": listed.height,
        "above_cut": int(listed["is_above_cut"].sum()),
        "rate": night.fleet.rate,
        "rate_low": low,
        "rate_high": high,
        "installs_rate": float(tables["crew_fleet"]["fleet_rate"][0]),
        "installs_true": float(is_wrong.mean() or 0.0),  # type: ignore[arg-type]
        "crews": crews.height,
        "crews_held": int(crews["is_held"].sum()),
        "stand_out": int(tables["crew_quality"]["stands_out"].is_not_null().sum()),
    }


def compare_crews(quality: pl.DataFrame, homes: pl.DataFrame, truth: pl.DataFrame) -> pl.DataFrame:
    """Return a row a crew with homes: `crew_id`, `true_rate`, `rate_low`, `rate_high`, `is_held`.

    `true_rate` is the share of its installs with data that had their fault from the first day; `quality` and `homes`
    are crew_quality and crew_home.
    """
    true_rates = _installs(homes, truth).group_by("crew_id").agg(true_rate=pl.col("is_truly_wrong").mean())
    intervals = quality.select("crew_id", "rate_low", "rate_high").drop_nulls()
    is_held = pl.col("true_rate").is_between(pl.col("rate_low") - 1e-9, pl.col("rate_high") + 1e-9)
    return intervals.join(true_rates, on="crew_id").with_columns(is_held=is_held).sort("crew_id")


def _installs(homes: pl.DataFrame, truth: pl.DataFrame) -> pl.DataFrame:
    """Return the installs with data of crew_home, and whether each was wrong (`is_truly_wrong`) from the first day."""
    is_wrong = (pl.col("fault") != SOUND) & pl.col("onset_on").is_null()
    return homes.filter("is_heard").join(truth.select("site_id", is_truly_wrong=is_wrong), on="site_id")


def rate_interval(likelihood: Float, rate: float) -> tuple[float, float]:
    """Return the ends of the 95 % interval of the share of faulty homes that these likelihoods say.

    `rate` is the share that they were worked out for, which gives each home's evidence back; the interval holds the
    shares under which all evidence together is at most exp(1.92) times less likely than under the best (Wilks). The
    night's own prior of the share has no part in it.
    """
    safe = np.clip(likelihood, EDGE, 1 - EDGE)
    ratio = safe / (1 - safe) * (1 - rate) / rate
    log_likelihood = np.array([np.log1p(share * (ratio - 1)).sum() for share in RATES])
    inside = RATES[log_likelihood >= log_likelihood.max() - Z**2 / 2]
    return float(inside[0]), float(inside[-1])
