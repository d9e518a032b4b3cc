"""Nights until found: the same fleet scored as of its first, second, third ... night."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict

import polars as pl

from pipeline.core.settings import Settings
from pipeline.evaluation.validation.metrics import ALARM_LIKELIHOOD, compute_metrics
from pipeline.evaluation.validation.scored_lake import StoredLake, score_night
from pipeline.scoring.model import Model

NIGHTS = (1, 2, 3, 5, 7, 10, 14, 21, 30)
SOON_NIGHTS = 2  # within which what can't wait must be found
Nights = Mapping[int, pl.DataFrame]  # night, from 1 -> `join_truth`'s homes as of then


def score_nights(
    stored: StoredLake,
    model: Model,
    settings: Settings,
    *,
    nights: tuple[int, ...] = NIGHTS,
    tell: Callable[[str], None] = lambda line: None,
    last: pl.DataFrame | None = None,
) -> dict[int, pl.DataFrame]:
    """Return night -> `join_truth`'s homes as of that night, its window all days up to then.

    Parameters
    ----------
    stored
        The lake.
    model
        It gives the likelihoods.
    settings
        Of the night.
    nights
        Numbers from 1; those that the lake doesn't have are left out, its last one is always there.
    tell
        Is called with each step.
    last
        The homes as of the last night, where they are known already.
    """
    scored = {} if last is None else {stored.nights: last}
    for night in sorted({night for night in nights if night < stored.nights} | {stored.nights} - set(scored)):
        tell(f"scored as of night {night}")
        scored[night] = score_night(stored, night, model, settings=settings).homes
    return dict(sorted(scored.items()))


def nights_until_found(nights: Nights) -> pl.DataFrame:
    """Return one row a home whose fault was there from the first day: when it is found, and when suspected.

    `site_id`, `fault`, `position`; `nights`: the first of the scored nights from which on the home stays at or over
    ALARM_LIKELIHOOD with the right name (a twin's counts where there are no leg voltages); `suspect_nights`: the same
    whatever the name. Null if it isn't so on the last night.
    """
    is_suspect = pl.col("likelihood") >= ALARM_LIKELIHOOD
    homes = pl.concat(
        frame.filter("is_from_first_day").select(
            "site_id", "fault", "position", night=pl.lit(night, pl.Int64),
            is_suspect=is_suspect, is_right=is_suspect & pl.col("is_named_right"),
        )
        for night, frame in nights.items()
    )  # fmt: skip

    def stays(column: str) -> pl.Expr:
        last_wrong = pl.col("night").filter(~pl.col(column)).max().fill_null(0)
        return pl.col("night").filter(pl.col("night") > last_wrong).min()

    return (
        homes.group_by("site_id", "fault", "position")
        .agg(nights=stays("is_right"), suspect_nights=stays("is_suspect"))
        .sort("fault", "position", "site_id")
    )


def count_by_position(until: pl.DataFrame) -> pl.DataFrame:
    """Return one row a (fault, position): `homes`, `median_nights`, `soon_share`, `found_share`, `suspect_soon_share`.

    `soon_share` is found within SOON_NIGHTS, `found_share` by the last night, `suspect_soon_share` suspected within
    SOON_NIGHTS whatever the name. Homes never found count as later than any: `median_nights` is null where fewer
    than half are found.
    """
    never = 10**6
    median = pl.col("nights").fill_null(never).median()
    return (
        until.group_by("fault", "position")
        .agg(
            homes=pl.len(),
            median_nights=pl.when(median < never / 2).then(median),
            soon_share=(pl.col("nights") <= SOON_NIGHTS).fill_null(False).mean(),
            found_share=pl.col("nights").is_not_null().mean(),
            suspect_soon_share=(pl.col("suspect_nights") <= SOON_NIGHTS).fill_null(False).mean(),
        )
        .sort("fault", "position")
    )


def metrics_by_night(nights: Nights, visits: int | None = None) -> pl.DataFrame:
    """Return one row a scored night with all of `Metrics`, and `alarms`, `alarm_share` of the sound homes."""
    rows = []
    for night, homes in sorted(nights.items()):
        alarms = homes.filter(~pl.col("is_faulty"))["likelihood"] >= ALARM_LIKELIHOOD
        share = alarms.mean() if alarms.len() else float("nan")
        row = {"nights": night, **asdict(compute_metrics(homes, visits))}
        rows.append(row | {"alarms": int(alarms.sum()), "alarm_share": share})
    return pl.DataFrame(rows)
