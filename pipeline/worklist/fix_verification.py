"""Did the visit put the home right? Verified by the data since, never by the visit's note.

A home counts as right when what can be measured directly and its likelihood of a fault agree.

Measured, each with its standard error: the answer to production of the legs that were worked on, their scale by the
utility meter, the level of their nights. A measure is right when all of its confidence interval lies where a right
install's does, wrong when all of it lies outside; a gain more than 15 % off is an install, not accuracy (IEC 61869-2
class 1 stays within 12 % at 5 % current and power factor 0.5).

Likely: the classifier's likelihoods, by Bayes' rule moved from the fleet's base rate to the prior of a visited home: it
is right with [visits] fix_works, else it still has the fault that was worked on. How many nights that takes follows
from the data.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.contract import SOUND
from pipeline.core.line_columns import has_line, lines_in
from pipeline.core.setting_sections import VisitSettings
from pipeline.faults.types import Fault, record_errors
from pipeline.scoring.verdict import Prior
from pipeline.worklist.fix_verification_text import numbers_in, verification_text

Float = NDArray[np.float64]
PROVED, DISPROVED, OPEN = "proved right", "still wrong", "too early to tell"
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "proof": pl.String, "still_wrong_share": pl.Float64, "nights_since": pl.Int64,
        "nights_wanted": pl.Int64, "proof_told": pl.String,
    }
)  # fmt: skip
MOST_NIGHTS = 365  # a verification that would take longer is none


def verify_fixes(
    worked_on: pl.DataFrame,
    scores: pl.DataFrame,
    signals: pl.DataFrame,
    *,
    daily: pl.DataFrame,
    prior: Prior,
    catalogue: Mapping[str, Fault],
    as_of: date,
    settings: VisitSettings,
) -> pl.DataFrame:
    """Return what the data since say of each visited home (SCHEMA), one row a row of `worked_on`, sorted.

    Parameters
    ----------
    worked_on
        `last_visit.worked_on`: site_id, visited_on, `fault` and `leg` worked on (leg null: all lines are looked at).
    scores
        `site_scores`: fault_likelihoods, from_on, nights, is_clock_suspect.
    signals
        Table site_signal over each home's span, which begins after the visit.
    daily
        Table site_daily [W], for the nights' level with its standard error.
    prior
        The prior behind `scores`.
    catalogue
        The faults by name.
    as_of, settings
        The night, and section [visits].

    Notes
    -----
    `still_wrong_share` [0..1] is the likelihood that the fault that was worked on is still there rather than none, by
    data since the visit only; without data it is 1 - [visits] fix_works. A visit is shown not to have worked when it is
    likelier than [visits] disproved_from that the fault is still there and no other is twice as likely, or by [visits]
    again_nights days of data that any is: a night or two can look like any fault. `nights_wanted` is about how many
    nights since the visit the verification takes if nights to come are like those so far; null where they say nothing
    yet, or it is settled.
    """
    if worked_on.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    # Not by `nights`: where leads are exchanged with production no night is quiet enough to count.
    has_data = pl.col("from_on") > pl.col("visited_on")
    likely = scores.select("site_id", "fault_likelihoods", "from_on", "nights", "is_clock_suspect")
    numbers = signals.drop(*(set(likely.columns) - {"site_id"}), "fault", "leg", strict=False)
    homes = (
        worked_on.select("site_id", "visited_on", "fault", "leg")
        .join(likely, on="site_id")
        .join(numbers, on="site_id", how="left")
        .join(_nights_since(worked_on, daily), on="site_id", how="left")
        .with_columns(has_data=has_data.fill_null(False))
        .sort("site_id")
    )
    still_wrong, any_fault = _still_wrong(homes, prior, catalogue, settings.fix_works)
    homes = homes.with_columns(
        _is_likeliest(catalogue), still_wrong_share=pl.Series(still_wrong), any_fault=pl.Series(any_fault)
    )
    homes = homes.with_columns(**_measured(homes.columns, settings, catalogue))
    measured = pl.col("^.*_is$")
    right, wrong = (pl.any_horizontal(is_so.fill_null(False)) for is_so in (measured, ~measured))
    days = (pl.lit(as_of) - pl.col("from_on")).dt.total_days() + 1
    nights = pl.when(pl.col("nights") > 0).then("nights").otherwise(days)
    has_fault = pl.col("any_fault") >= settings.disproved_from
    is_worked_on = (pl.col("still_wrong_share") >= settings.disproved_from) & pl.col("is_likeliest")
    has_lasted = days >= settings.again_nights
    is_right = (pl.col("still_wrong_share") <= settings.proved_below) & right & ~wrong & ~has_fault
    proof = (
        pl.when(pl.col("has_data") & has_fault & (is_worked_on | has_lasted)).then(pl.lit(DISPROVED))
        .when(pl.col("has_data") & is_right).then(pl.lit(PROVED))
        .otherwise(pl.lit(OPEN))
    )  # fmt: skip
    return (
        homes.with_columns(
            nights_since=pl.when("has_data").then(nights).otherwise(0).cast(pl.Int64), proof=proof
        )
        .with_columns(
            nights_wanted=_nights_wanted(settings),
            proof_told=pl.struct(numbers_in(homes.columns)).map_elements(
                verification_text, return_dtype=pl.String
            ),
        )
        .select(SCHEMA.names())
        .cast(SCHEMA)
    )


def _still_wrong(
    homes: pl.DataFrame, prior: Prior, catalogue: Mapping[str, Fault], fix_works: float
) -> tuple[Float, Float]:
    """Return how likely the fault worked on is against none, and any fault against none, (n,) each.

    Posterior over prior is, up to a constant, how well the data fit. The prior of the fault worked on is
    1 - [visits] fix_works, that of other faults the fleet's.
    """
    names = [*catalogue, SOUND]
    posterior = homes["fault_likelihoods"].struct.unnest().select(names).fill_null(0.0).to_numpy()
    mix = np.array([prior.fault_mix.get(name, 0.0) for name in catalogue])
    fleet = np.append(prior.base_rate * mix, 1 - prior.base_rate)
    visited = np.tile(fleet, (homes.height, 1))
    row, column = np.arange(homes.height), [names.index(fault) for fault in homes["fault"]]
    visited[row, column] += (1 - fix_works) / fix_works * (1 - prior.base_rate)
    has_data = homes["has_data"].to_numpy()[:, None]
    weight = np.where(has_data, visited * posterior / np.maximum(fleet, 1e-12), visited)
    still_wrong: Float = weight[row, column] / np.maximum(weight[row, column] + weight[:, -1], 1e-300)
    any_fault: Float = 1 - weight[:, -1] / np.maximum(weight.sum(axis=1), 1e-300)
    return still_wrong, any_fault


def _is_likeliest(catalogue: Mapping[str, Fault]) -> pl.Expr:
    """Return whether no fault is twice as likely, by the data, as the one worked on: look-alikes trade places."""
    shares = {name: pl.col("fault_likelihoods").struct.field(name).fill_null(0.0) for name in catalogue}
    worked_on = pl.coalesce(pl.when(pl.col("fault") == name).then(share) for name, share in shares.items())
    return (2 * worked_on >= pl.max_horizontal(shares.values())).alias("is_likeliest")


def _nights_since(worked_on: pl.DataFrame, daily: pl.DataFrame) -> pl.DataFrame:
    """Return level_<line>_w [W], the mean of the nightly medians since the visit, and level_<line>_se, of each line."""
    nights = {line: pl.col(f"night_{line}_w") for line in lines_in(daily.columns, "night_{}_w")}
    return (
        daily.join(worked_on.select("site_id", "visited_on"), on="site_id")
        .filter(pl.col("day") > pl.col("visited_on"))
        .group_by("site_id")
        .agg(
            **{f"level_{line}_w": night.mean() for line, night in nights.items()},
            **{f"level_{line}_se": night.std() / night.count().sqrt() for line, night in nights.items()},
        )
    )


def _measured(
    columns: Collection[str], settings: VisitSettings, catalogue: Mapping[str, Fault]
) -> dict[str, pl.Expr]:
    """Return {gain,meter,night}_<line>_is: true right, false wrong, null where it can't tell or wasn't worked on."""
    marks: dict[str, pl.Expr] = {}
    # A record that was corrected moved no CT: it says nothing of the CTs' scale and nights.
    is_record = pl.col("fault").is_in(record_errors(catalogue))
    for line in lines_in(columns, "gain_{}"):
        is_worked_on = pl.col("has_data") & has_line(pl.col("leg"), line).fill_null(True)
        off = (pl.col(f"gain_{line}") - pl.col("expected_gain")).abs()
        meter_off = (pl.col(f"meter_gain_{line}") - 1).abs()
        # Where legs and production don't explain the meter (an unknown battery) it gives no scale.
        is_metered = (pl.col("meter_share") > 0.5) & (pl.col("meter_r2") > 0.5)
        meter_se = pl.when(is_metered).then("meter_gain_se")
        # A CT at the loads has no answer to production, right or wrong: it can only show a fault there.
        gain = _within(off, pl.col(f"gain_{line}_se"), settings)
        # But a corrected record is right where no answer is what it now expects.
        gain = pl.when(gain & (pl.col("expected_gain") == 0) & ~is_record).then(None).otherwise(gain)
        meter = pl.when(~is_record | gain.is_null()).then(_within(meter_off, meter_se, settings))
        night = pl.lit(None, pl.Boolean)
        if f"level_{line}_w" in columns:
            night = pl.when(_may_go_below() | is_record).then(None).otherwise(_is_night_right(line, settings))
        for name, is_right in (("gain", gain), ("meter", meter), ("night", night)):
            marks[f"{name}_{line}_is"] = pl.when(is_worked_on).then(is_right)
    return marks


def _may_go_below() -> pl.Expr:
    """Return whether a right line may be negative at night.

    A battery shows in a CT that sees what production does; around the loads it doesn't.
    """
    sees_battery = pl.col("has_battery") & (pl.col("expected_gain") != 0).fill_null(True)
    return sees_battery | pl.col("is_clock_suspect")


def _is_night_right(line: str, settings: VisitSettings) -> pl.Expr:
    level, half = pl.col(f"level_{line}_w"), settings.proof_z * pl.col(f"level_{line}_se")
    share = pl.col(f"night_{line}_negative_share")
    return (
        pl.when((level - half > settings.night_least_w) & (share <= settings.night_negative)).then(True)
        .when((level + half < 0) | (half.is_null() & (share > 0.5))).then(False)
    )  # fmt: skip


def _within(off: pl.Expr, se: pl.Expr, settings: VisitSettings) -> pl.Expr:
    half = settings.proof_z * se
    return (
        pl.when(off + half <= settings.gain_off).then(True).when(off - half > settings.gain_off).then(False)
    )


def _nights_wanted(settings: VisitSettings) -> pl.Expr:
    """Return about how many nights a verification takes: the log odds that the nights so far moved, carried on."""

    def log_odds(share: pl.Expr) -> pl.Expr:
        return (share / (1 - share)).log()

    before, target = log_odds(pl.lit(1 - settings.fix_works)), log_odds(pl.lit(settings.proved_below))
    moved = before - log_odds(pl.col("still_wrong_share").clip(1e-12, 1 - 1e-12))
    nights = (pl.col("nights_since") * (before - target) / moved).ceil()
    more = pl.max_horizontal(nights, pl.col("nights_since") + 1)
    is_open = (pl.col("proof") == OPEN) & (pl.col("nights_since") > 0)
    return pl.when(is_open & (moved > 0.05) & (more <= MOST_NIGHTS)).then(more).cast(pl.Int64)
