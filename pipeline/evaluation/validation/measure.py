"""How good a list is, from scores and truth: ranking, names, false alarms; pure functions on `judge`'s frame.

"Found" is to stand at the cut that the visits allow: among the first `visits` homes by likelihood, by default as many
as there are faulty ones (R). Homes may have weights (`judged.as_if`); shares are then shares of weight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.binomial_intervals import wilson
from pipeline.core.contract import FAULTS, SOUND
from pipeline.evaluation.validation.calibration import (
    EVEN_BINS,
    WIDE_BINS,
    brier,
    calibration_error,
    even_bins,
    wide_bins,
)
from pipeline.evaluation.validation.judged import PLAIN

Float = NDArray[np.float64]
FIRST_SHARE = 50 / 2000  # the first 50 of 2,000 homes, and as many of a fleet of another size
ALARM = 0.5  # a sound home from this likelihood on is a false alarm


@dataclass(frozen=True)
class Marks:
    """The measures of one night of one fleet; shares from 0 to 1, NaN where there is nothing to divide by.

    `cut` homes are visited; `found_share` of the faulty ones are among them; `named_share` and `leg_share` of those
    found have the right `suspected_fault` and the right leg, `order_named_share`, `order_leg_share` the same of what a
    work order would say (the likeliest fault, also where sound is likelier);
    `first_share` of the first `first` homes are faulty. `ece` over 20 bins of equally many homes, `ece_wide` over 10
    bins of equal width, both [share].
    """

    homes: int
    faulty: int
    cut: int
    average_precision: float
    first: int
    first_share: float
    found_share: float
    named_share: float
    leg_share: float
    order_named_share: float
    order_leg_share: float
    ece: float
    ece_wide: float
    brier: float


def average_precision(likelihood: Float, is_faulty: NDArray[np.bool_], weight: Float) -> float:
    """Return the sum over distinct likelihoods of precision times the step in recall; NaN without faulty homes.

    Equal likelihoods enter together (the step-wise area that has no interpolation).
    """
    order = np.argsort(-likelihood, kind="stable")
    hit = np.cumsum((weight * is_faulty)[order])
    seen = np.cumsum(weight[order])
    if not hit.size or hit[-1] <= 0:
        return float("nan")
    last = np.append(np.diff(likelihood[order]) != 0, True)
    return float(np.sum(np.diff(hit[last], prepend=0.0) / hit[-1] * hit[last] / seen[last]))


def at_cut(judged: pl.DataFrame, visits: int | None = None) -> pl.DataFrame:
    """Return the homes with `is_found`: faulty and among the first `visits` homes (by weight) by likelihood."""
    faulty = judged.filter("is_faulty")["weight"].sum()
    cut = float(faulty) if visits is None else float(visits)
    return judged.sort("rank").with_columns(
        is_found=pl.col("is_faulty") & (pl.col("weight").cum_sum() <= cut + 1e-6)
    )


def marks(judged: pl.DataFrame, visits: int | None = None) -> Marks:
    """Return the measures of these homes."""
    homes = at_cut(judged, visits)
    likelihood, weight = homes["likelihood"].to_numpy(), homes["weight"].to_numpy()
    is_faulty = homes["is_faulty"].to_numpy()
    first = max(1, round(FIRST_SHARE * homes.height))
    is_first = np.cumsum(weight) <= first + 1e-6
    found = homes["is_found"].to_numpy()
    named, leg = homes["is_named_right"].to_numpy(), homes["is_leg_right"].to_numpy()
    faulty_weight = float((weight * is_faulty).sum())
    return Marks(
        homes=homes.height,
        faulty=int(is_faulty.sum()),
        cut=round(faulty_weight) if visits is None else visits,
        average_precision=average_precision(likelihood, is_faulty, weight),
        first=first,
        first_share=_share(weight, is_first & is_faulty, is_first),
        found_share=_share(weight, found, is_faulty),
        named_share=_share(weight, found & named, found),
        leg_share=_share(weight, found & leg, found),
        order_named_share=_share(weight, found & homes["is_order_right"].to_numpy(), found),
        order_leg_share=_share(weight, found & homes["is_order_leg_right"].to_numpy(), found),
        ece=calibration_error(likelihood, is_faulty, weight, even_bins(likelihood, weight, EVEN_BINS)),
        ece_wide=calibration_error(likelihood, is_faulty, weight, wide_bins(likelihood, WIDE_BINS)),
        brier=brier(likelihood, is_faulty, weight),
    )


def _share(weight: Float, part: NDArray[np.bool_], whole: NDArray[np.bool_]) -> float:
    total = float(weight[whole].sum())
    return float(weight[part].sum()) / total if total > 0 else float("nan")


def by_fault(
    judged: pl.DataFrame, visits: int | None = None, by: tuple[str, ...] = ("fault",)
) -> pl.DataFrame:
    """Return one row a fault (or a combination of `by`): how many, how many found, and of these named right.

    Columns of `by`; `homes`, `found`, `found_share` with its Wilson interval `low`, `high`; `named_share`,
    `leg_share` of those found; `missed_unproven`, `missed_sound` how many of those not found have that verdict.
    Counts are homes, not weights; the cut goes by weight.
    """
    faulty = at_cut(judged, visits).filter("is_faulty")
    missed = ~pl.col("is_found")
    table = faulty.group_by(by).agg(
        homes=pl.len(),
        found=pl.col("is_found").sum(),
        found_share=pl.col("is_found").mean(),
        named_share=pl.col("is_named_right").filter("is_found").mean(),
        leg_share=pl.col("is_leg_right").filter("is_found").mean(),
        missed_unproven=(missed & (pl.col("verdict") == "unproven")).sum(),
        missed_sound=(missed & (pl.col("verdict") == SOUND)).sum(),
    )
    order = pl.col("fault").replace_strict({name: at for at, name in enumerate(FAULTS)}, default=len(FAULTS))
    return _with_interval(table, "found", "homes").sort(order, *by)


def false_alarms(judged: pl.DataFrame, from_likelihood: float = ALARM) -> pl.DataFrame:
    """Return one row a kind of hard negative, and one of plain sound homes: how many are called faulty.

    `kind`, `homes`, `alarms`, `share`, and its Wilson interval `low`, `high`. Faulty homes don't count here.
    """
    sound = judged.filter(~pl.col("is_faulty"))
    table = sound.group_by(kind=pl.col("hard_negative").fill_null(PLAIN)).agg(
        homes=pl.len(), alarms=(pl.col("likelihood") >= from_likelihood).sum()
    )
    table = table.with_columns(share=pl.col("alarms") / pl.col("homes"))
    return _with_interval(table, "alarms", "homes").sort(pl.col("kind") == PLAIN, "kind")


def confusion(judged: pl.DataFrame) -> pl.DataFrame:
    """Return how often each truth (rows, with sound) goes by each name (a column a fault, with sound).

    `homes` is the row's sum. A name is right on the diagonal, or on its twin's place (see module judged).
    """
    names = (*FAULTS, SOUND)
    counted = judged.group_by("fault", "named").agg(n=pl.len())
    wide = counted.pivot("named", index="fault", values="n").with_columns(
        pl.col(pl.UInt32, pl.Int64).fill_null(0)
    )
    full = pl.DataFrame({"fault": names}).join(wide, on="fault", how="inner", maintain_order="left")
    here = [name for name in names if name in full.columns]
    return full.select("fault", pl.sum_horizontal(here).alias("homes"), *here)


def mistaken(judged: pl.DataFrame) -> pl.DataFrame:
    """Return the wrong names that faulty homes go by, most frequent first: fault, named, homes, of."""
    of = judged.filter("is_faulty").group_by("fault").agg(of=pl.len())
    wrong = judged.filter(pl.col("is_faulty") & ~pl.col("is_named_right"))
    return (
        wrong.group_by("fault", "named")
        .agg(homes=pl.len())
        .join(of, on="fault")
        .sort("homes", "fault", "named", descending=[True, False, False])
    )


def _with_interval(table: pl.DataFrame, part: str, whole: str) -> pl.DataFrame:
    low, high = wilson(table[part].cast(pl.Float64).to_numpy(), table[whole].cast(pl.Float64).to_numpy())
    return table.with_columns(low=pl.Series(low), high=pl.Series(high))
