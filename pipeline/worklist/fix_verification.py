"""Did the visit put the home right? Proved, or shown not to be, by the data since; never by the visit's note.

Two things must agree before a home counts as right: what can be measured directly, and how likely it still is wrong.

Measured, each with its standard error: the answer to production of the legs that were worked on, their scale by the
utility meter, the level of their nights. A measure is right when all of its confidence interval lies where a right
install's does, wrong when all of it lies outside; a gain more than 15 % off is an install, not accuracy (IEC 61869-2
class 1 stays within 12 % at 5 % current and power factor 0.5).

Likely: the classifier's likelihoods, moved from the fleet's base rate to what is known of a visited home. Before any
data it is right with [visits] fix_works and still has the fault that was worked on with the rest; Bayes' rule does the
other part. How many nights that takes is not fixed: it follows from how loudly the data speak.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.contract import SOUND
from pipeline.core.setting_sections import VisitSettings
from pipeline.faults.types import Fault, record_errors
from pipeline.scoring.verdict import Prior
from pipeline.worklist.fix_verification_text import NUMBERS, proof_words

Float = NDArray[np.float64]
PROVED, DISPROVED, OPEN = "proved right", "still wrong", "too early to tell"
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "proof": pl.String, "still_wrong_share": pl.Float64, "nights_since": pl.Int64,
        "nights_wanted": pl.Int64, "proof_told": pl.String,
    }
)  # fmt: skip
MOST_NIGHTS = 365  # a proof that would take longer is none


def prove(
    worked_on: pl.DataFrame,
    scores: pl.DataFrame,
    signals: pl.DataFrame,
    daily: pl.DataFrame,
    prior: Prior,
    catalogue: Mapping[str, Fault],
    as_of: date,
    own: VisitSettings,
) -> pl.DataFrame:
    """Return what the data since say of each visited home (SCHEMA), one row a row of `worked_on`, sorted.

    Parameters
    ----------
    worked_on
        Homes with a visit that says it put them right: site_id, visited_on, `fault` and `leg` worked on (leg null:
        not known, both are looked at).
    scores
        `site_scores`: fault_likelihoods, from_on, nights, is_clock_suspect.
    signals
        Table site_signal over each home's span, which begins after the visit.
    daily
        Table site_daily [W], for the nights' level with its standard error.
    prior
        What `scores` were told before the data.
    as_of
        The night.

    Notes
    -----
    `still_wrong_share` [0..1] is the likelihood that the fault that was worked on is still there rather than none, by
    data since the visit only; with none it is what [visits] fix_works leaves. A visit is shown not to have worked when
    it is likelier than [visits] disproved_from that the fault is still there and no other is much likelier, or by
    [visits] again_nights days of data that any is: a night or two can look like any fault. `nights_wanted` is about
    how many nights since the visit the proof will take if the nights to come speak as those so far; null where they
    say nothing yet, or it is settled.
    """
    if worked_on.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    # Not by `nights`: where leads are exchanged with production no night is quiet enough to count.
    has_data = pl.col("from_on") > pl.col("visited_on")
    speaks = scores.select("site_id", "fault_likelihoods", "from_on", "nights", "is_clock_suspect")
    numbers = signals.drop(*(set(speaks.columns) - {"site_id"}), "fault", "leg", strict=False)
    known = (
        worked_on.select("site_id", "visited_on", "fault", "leg")
        .join(speaks, on="site_id")
        .join(numbers, on="site_id", how="left")
        .join(_nights_since(worked_on, daily), on="site_id", how="left")
        .with_columns(has_data.fill_null(False).alias("has_data"))
        .sort("site_id")
    )
    still, any_fault = _still_wrong(known, prior, catalogue, own.fix_works)
    judged = known.with_columns(
        pl.Series("still_wrong_share", still), pl.Series("any_fault", any_fault), _is_likeliest(catalogue)
    ).with_columns(_measured(own, catalogue))
    right, wrong = (_any(judged, word) for word in ("right", "wrong"))
    days = (pl.lit(as_of) - pl.col("from_on")).dt.total_days() + 1
    nights = pl.when(pl.col("nights") > 0).then("nights").otherwise(days)
    has_fault = pl.col("any_fault") >= own.disproved_from
    is_worked_on = (pl.col("still_wrong_share") >= own.disproved_from) & pl.col("is_likeliest")
    has_lasted = days >= own.again_nights
    is_right = (pl.col("still_wrong_share") <= own.proved_below) & right & ~wrong & ~has_fault
    proof = (
        pl.when(pl.col("has_data") & has_fault & (is_worked_on | has_lasted)).then(pl.lit(DISPROVED))
        .when(pl.col("has_data") & is_right).then(pl.lit(PROVED))
        .otherwise(pl.lit(OPEN))
    )  # fmt: skip
    return (
        judged.with_columns(
            pl.when("has_data").then(nights).otherwise(0).cast(pl.Int64).alias("nights_since"),
            proof.alias("proof"),
        )
        .with_columns(_wanted(own))
        .with_columns(
            pl.struct(NUMBERS).map_elements(proof_words, return_dtype=pl.String).alias("proof_told")
        )
        .select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())
    )


def _still_wrong(
    known: pl.DataFrame, prior: Prior, catalogue: Mapping[str, Fault], fix_works: float
) -> tuple[Float, Float]:
    """Return how likely the fault worked on is against none, and any fault against none, (n,) each.

    Likelihood over prior is, up to a constant, how well the data fit. The fault worked on has what [visits] fix_works
    leaves as its prior, other faults the fleet's.
    """
    names = [*catalogue, SOUND]
    likelihood = known["fault_likelihoods"].struct.unnest().select(names).fill_null(0.0).to_numpy()
    mix = np.array([prior.fault_mix.get(name, 0.0) for name in catalogue])
    fleet = np.append(prior.base_rate * mix, 1 - prior.base_rate)
    own = np.tile(fleet, (known.height, 1))
    row, at = np.arange(known.height), [names.index(fault) for fault in known["fault"]]
    own[row, at] += (1 - fix_works) / fix_works * (1 - prior.base_rate)
    has_data = known["has_data"].to_numpy()[:, None]
    weighed = np.where(has_data, own * likelihood / np.maximum(fleet, 1e-12), own)
    still: Float = weighed[row, at] / np.maximum(weighed[row, at] + weighed[:, -1], 1e-300)
    any_fault: Float = 1 - weighed[:, -1] / np.maximum(weighed.sum(axis=1), 1e-300)
    return still, any_fault


def _is_likeliest(catalogue: Mapping[str, Fault]) -> pl.Expr:
    """Return whether no fault is twice as likely, by the data, as the one worked on: twins trade places."""
    shares = {name: pl.col("fault_likelihoods").struct.field(name).fill_null(0.0) for name in catalogue}
    own = pl.coalesce(pl.when(pl.col("fault") == name).then(share) for name, share in shares.items())
    return (2 * own >= pl.max_horizontal(shares.values())).alias("is_likeliest")


def _nights_since(worked_on: pl.DataFrame, daily: pl.DataFrame) -> pl.DataFrame:
    """Return level_l1_w, level_l2_w [W], the mean of the nightly medians since the visit, and their standard errors."""
    since = daily.join(worked_on.select("site_id", "visited_on"), on="site_id").filter(
        pl.col("day") > pl.col("visited_on")
    )
    return since.group_by("site_id").agg(
        *(pl.col(f"night_{leg}_w").mean().alias(f"level_{leg}_w") for leg in ("l1", "l2")),
        *(
            (pl.col(f"night_{leg}_w").std() / pl.col(f"night_{leg}_w").count().sqrt()).alias(
                f"level_{leg}_se"
            )
            for leg in ("l1", "l2")
        ),
    )


def _measured(own: VisitSettings, catalogue: Mapping[str, Fault]) -> list[pl.Expr]:
    """Return {gain,meter,night}_{l1,l2}_is: true right, false wrong, null where it can't tell or wasn't worked on."""
    told = []
    # A record that was corrected moved no clamp: of the clamps' scale and their nights it proves nothing.
    is_record = pl.col("fault").is_in(record_errors(catalogue))
    for leg in ("l1", "l2"):
        is_worked_on = pl.col("has_data") & pl.col("leg").is_in([leg, "both"]).fill_null(True)
        off = (pl.col(f"gain_{leg}") - pl.col("expected_gain")).abs()
        meter_off = (pl.col(f"meter_gain_{leg}") - 1).abs()
        # Where legs and production don't explain the meter (a battery nobody told of) it gives no scale.
        is_metered = (pl.col("meter_share") > 0.5) & (pl.col("meter_r2") > 0.5)
        meter_se = pl.when(is_metered).then("meter_gain_se")
        # A clamp at the loads has no answer to production, right or wrong: it can only show a fault there.
        gain = _within(off, pl.col(f"gain_{leg}_se"), own)
        # But a corrected record is right where no answer is what it now expects.
        gain = pl.when(gain & (pl.col("expected_gain") == 0) & ~is_record).then(None).otherwise(gain)
        meter = pl.when(~is_record | gain.is_null()).then(_within(meter_off, meter_se, own))
        level, level_se = pl.col(f"level_{leg}_w"), pl.col(f"level_{leg}_se")
        share = pl.col(f"night_{leg}_negative_share")
        # A battery shows in a clamp that sees what production does; around the loads it doesn't.
        sees_battery = pl.col("has_battery") & (pl.col("expected_gain") != 0).fill_null(True)
        may_go_below = sees_battery | pl.col("is_clock_suspect")
        night = (
            pl.when(may_go_below | is_record).then(None)
            .when((level - own.proof_z * level_se > own.night_least_w) & (share <= own.night_negative)).then(True)
            .when((level + own.proof_z * level_se < 0) | (level_se.is_null() & (share > 0.5))).then(False)
        )  # fmt: skip
        for name, value in (("gain", gain), ("meter", meter), ("night", night)):
            told.append(pl.when(is_worked_on).then(value).alias(f"{name}_{leg}_is"))
    return told


def _within(off: pl.Expr, se: pl.Expr, own: VisitSettings) -> pl.Expr:
    reach = own.proof_z * se
    return pl.when(off + reach <= own.gain_off).then(True).when(off - reach > own.gain_off).then(False)


def _any(judged: pl.DataFrame, word: str) -> pl.Expr:
    marks = [pl.col(name) for name in judged.columns if name.endswith("_is")]
    wanted = [mark if word == "right" else ~mark for mark in marks]
    return pl.any_horizontal(*(mark.fill_null(False) for mark in wanted))


def _wanted(own: VisitSettings) -> pl.Expr:
    """Return about how many nights a proof takes: the log odds that the nights so far have moved, carried on."""

    def log_odds(share: pl.Expr) -> pl.Expr:
        return (share / (1 - share)).log()

    before, target = log_odds(pl.lit(1 - own.fix_works)), log_odds(pl.lit(own.proved_below))
    moved = before - log_odds(pl.col("still_wrong_share").clip(1e-12, 1 - 1e-12))
    nights = (pl.col("nights_since") * (before - target) / moved).ceil()
    more = pl.max_horizontal(nights, pl.col("nights_since") + 1)
    can_tell = (
        (pl.col("proof") == OPEN) & (pl.col("nights_since") > 0) & (moved > 0.05) & (more <= MOST_NIGHTS)
    )
    return pl.when(can_tell).then(more).cast(pl.Int64).alias("nights_wanted")
