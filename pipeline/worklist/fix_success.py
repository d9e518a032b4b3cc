"""The chance that going puts a home right if the fault is there, learned from the fleet's own visits.

A visit succeeds when it found a fault, says it is fixed, and the data since prove it; it fails when the fault was left,
or the data show it is still there. Fixes that the data have not settled yet count as neither. All visits of a kind
(trucks, desk) move a beta prior from the settings; each fault then moves from their mean by its own visits, so one with
few of them stays with the fleet. Beta-binomial: Gelman et al., Bayesian Data Analysis, ch. 2 and 5.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl
from scipy import stats

from pipeline.core.contract import FAULTS
from pipeline.core.setting_sections import RankingSettings
from pipeline.faults.types import Fault
from pipeline.worklist.fix_verification import DISPROVED, PROVED

# fault is null for all faults of that way of fixing; low, high: 90 % interval of the posterior.
SCHEMA = pl.Schema(
    {
        "fix_by": pl.String, "fault": pl.String, "settled": pl.Int64, "succeeded": pl.Int64,
        "chance": pl.Float64, "chance_low": pl.Float64, "chance_high": pl.Float64,
    }
)  # fmt: skip
WAYS = ("visit", "office")
_LEVELS = (0.05, 0.95)


def chances(
    promise: pl.DataFrame | None, catalogue: Mapping[str, Fault], ranking: RankingSettings
) -> pl.DataFrame:
    """Return table chance (SCHEMA): of success of a truck, of the desk, and of each fault of the catalogue.

    `promise` is the table of an earlier night (fault, found, fixed, proof), None on the first. A visit counts for the
    fault that was suspected, since that chose what was brought along; where none was promised, for what was found. The
    prior is [ranking] chance_visit or chance_office, worth chance_visits visits; chance_hold visits hold a fault to the
    mean of all.
    """
    counts = _settled(promise, catalogue) if promise is not None else {}
    prior_mean = {"visit": ranking.chance_visit, "office": ranking.chance_office}
    rows = []
    for way in WAYS:
        names = [name for name, fault in catalogue.items() if fault.remedy.fix_by == way]
        settled, succeeded = (sum(counts.get(name, (0, 0))[index] for name in names) for index in (0, 1))
        rows.append(_row(way, None, settled, succeeded, prior_mean[way], ranking.chance_visits))
        mean = (prior_mean[way] * ranking.chance_visits + succeeded) / (ranking.chance_visits + settled)
        rows += [_row(way, name, *counts.get(name, (0, 0)), mean, ranking.chance_hold) for name in names]
    return pl.DataFrame(rows, schema=SCHEMA)


def _settled(promise: pl.DataFrame, catalogue: Mapping[str, Fault]) -> dict[str, tuple[int, int]]:
    """Return fault -> (visits whose success is known, those that succeeded)."""
    is_fixed, proof = pl.col("fixed").fill_null(False), pl.col("proof")
    succeeded = pl.when(~is_fixed | (proof == DISPROVED)).then(False).when(proof == PROVED).then(True)
    counts = (
        promise.filter(pl.col("found").is_in(FAULTS))
        .select(name=pl.coalesce("fault", "found"), succeeded=succeeded)
        .filter(pl.col("name").is_in(list(catalogue)))
        .drop_nulls("succeeded")
        .group_by("name")
        .agg(pl.len(), pl.col("succeeded").sum())
    )
    return {name: (settled, succeeded) for name, settled, succeeded in counts.iter_rows()}


def _row(
    way: str, fault: str | None, settled: int, succeeded: int, mean: float, worth: float
) -> dict[str, str | int | float | None]:
    """Return the posterior of a beta prior of that mean, worth that many visits."""
    a, b = mean * worth + succeeded, (1 - mean) * worth + settled - succeeded
    low, high = (float(stats.beta.ppf(level, a, b)) for level in _LEVELS)
    return {
        "fix_by": way, "fault": fault, "settled": settled, "succeeded": succeeded,
        "chance": a / (a + b), "chance_low": low, "chance_high": high,
    }  # fmt: skip
