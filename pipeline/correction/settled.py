"""Episodes that don't change for nothing: small news of a likelihood or a gain leaves what was written before.

Each night estimates anew from a little more data. Rewriting months of readings for the third decimal would make every
corrected file new every night; so what an earlier run found stands until the new differs by what it errs by.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.services import LINES
from pipeline.correction.layout import EPISODE

SAME_LIKELIHOOD = 0.05
SAME_ERRORS = 1.0  # standard errors of the new estimate
FINER = 0.7  # a new standard error below this share of the earlier one is news too
_OF_THREE_LINES = {"gain_l3", "gain_l3_se", "wiring"}
SAME_DAYS = 2  # of the day since when
_KEY = ("site_id", "fault", "leg", "basis")
_ESTIMATES = (*(f"gain_{leg}" for leg in LINES), "ratio")


def settle(episodes: pl.DataFrame, earlier: pl.DataFrame | None, *, least_likelihood: float) -> pl.DataFrame:
    """Return the episodes with values of an earlier run where the new ones are no news.

    Parameters
    ----------
    episodes
        EPISODE (and columns beside) of tonight.
    earlier
        The same of the run before; None without one.
    least_likelihood
        Likelihood from which a fault is corrected; crossing it is news.
    """
    if earlier is None or not set(EPISODE) - _OF_THREE_LINES <= set(earlier.columns):
        return episodes
    # An earlier version knew of no third line.
    earlier = earlier.with_columns(
        pl.lit(None, EPISODE[name]).alias(name) for name in _OF_THREE_LINES if name not in earlier.columns
    )
    numbers = [*_ESTIMATES, *(f"{name}_se" for name in _ESTIMATES)]
    kept = earlier.filter(pl.col("why_not").is_null()).select(
        *_KEY, *(pl.col(name).alias(f"{name}_before") for name in ("from_on", "to_on", "likelihood", "rival_fault",
        "rival_leg", "rival_likelihood", "gain_by", *numbers)), was_there=pl.lit(True),
    ).unique([*_KEY, "from_on_before"], maintain_order=True)  # fmt: skip
    paired = (
        episodes.with_row_index("place")
        .join(kept, on=list(_KEY), how="left", maintain_order="left_right", nulls_equal=True)
        .with_columns(apart=(pl.col("from_on") - pl.col("from_on_before")).dt.total_days().abs())
        .sort("place", "apart", nulls_last=True)
        .unique("place", keep="first", maintain_order=True)
    )
    is_same_story = (
        pl.col("was_there").fill_null(False)
        & pl.col("why_not").is_null()
        & (pl.col("apart") <= SAME_DAYS)
        & ((pl.col("likelihood") - pl.col("likelihood_before")).abs() <= SAME_LIKELIHOOD)
        & ((pl.col("likelihood") >= least_likelihood) == (pl.col("likelihood_before") >= least_likelihood))
        & pl.col("rival_fault").eq_missing(pl.col("rival_fault_before"))
    )
    same = {name: is_same_story & _is_no_news(name) for name in _ESTIMATES}
    facts = ("from_on", "likelihood", "rival_leg", "rival_likelihood")
    put = {name: pl.when(is_same_story).then(f"{name}_before").otherwise(name) for name in facts}
    for name, is_same in same.items():
        for column in (name, f"{name}_se"):
            put[column] = pl.when(is_same).then(f"{column}_before").otherwise(column)
    all_same = pl.all_horizontal(same.values())
    put["gain_by"] = pl.when(all_same).then("gain_by_before").otherwise("gain_by")
    return paired.with_columns(**put).select(episodes.columns)


def _is_no_news(name: str) -> pl.Expr:
    """Tell whether an estimate differs from the earlier one by less than it errs, and isn't much finer."""
    new, error = pl.col(name), pl.col(f"{name}_se")
    before, error_before = pl.col(f"{name}_before"), pl.col(f"{name}_se_before")
    is_near = (new - before).abs() <= SAME_ERRORS * error
    is_as_fine = error >= FINER * error_before
    are_both_unknown = new.is_null() & before.is_null()
    return (are_both_unknown | (is_near & is_as_fine)).fill_null(False)
