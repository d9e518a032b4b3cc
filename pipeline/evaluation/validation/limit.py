"""What could be reached at all: a classifier that knows the truth of the circuit, beside ours.

It may see, of each home, the witnesses: how its wiring truly answers to each thing that the data can probe, without a
watt of noise, appliance or cloud. A witness is there only where the home's own data carry its probe:
- production's: where there is production;
- its own leg's load, in size: where the utility's meter measures it or production does (upstream, with PV); its sign
  (positive, none, negative) always, since a household consumes by night;
- the other leg's load and 240 V pairs: where there are two legs; which of the legs it is only with leg voltages
  (without, exchanged legs look like right ones, as they do in the data);
- the spread of an added offset and the share of time connected: always.
It also sees position and service as registered. It knows nothing else: no truth of position, no severity, no fault.

That is the limit, since every method must work from answers to these probes, and ours must first estimate them from
noisy readings: two homes with the same witnesses are the same to anybody. It is a limit up to what the trees learn from
the homes they are given, and as far as a witness is one number: a trace that comes and goes with the loads (the turned
CT of a pair) can be found beyond it.
"""

from __future__ import annotations

import warnings

import numpy as np
import polars as pl
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.model_selection import StratifiedKFold
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from pipeline.core.contract import SOUND
from pipeline.evaluation.validation.truth import rank_homes

Float = NDArray[np.float64]
WITNESS = "witness_"
REGISTERED = ("ct_sees_pv", "pv_added_back", "cts_per_leg")
FOLDS = 5
TREES, LEAVES, L2_PENALTY = 100, 15, 1.0


def limit_features(truth: pl.DataFrame, sites: pl.DataFrame, channels: pl.DataFrame) -> pl.DataFrame:
    """Return site_id and what the limit may see, all numbers, null where the data can't tell (see the module).

    `truth` has sees_pv_true and the columns `witness_*`, `sites` is the register, `channels` is `read_channels`.
    """
    registered = sites.select(
        "site_id",
        *(pl.col(name).cast(pl.Float64) for name in REGISTERED),
        is_single=(pl.col("service") == "single").cast(pl.Float64),
        is_208=(pl.col("service") == "120/208").cast(pl.Float64),
        is_at_loads=(pl.col("ct_location") == "load_conductors").cast(pl.Float64),
    )
    flags = ("has_l2", "has_pv", "has_volts", "has_meter")
    homes = truth.join(channels, on="site_id", how="inner").with_columns(pl.col(flags).fill_null(False))
    load, cross = (
        pl.col(f"{WITNESS}{name}_l1").abs() + pl.col(f"{WITNESS}{name}_l2").abs()
        for name in ("load", "cross")
    )
    is_exchanged = ~pl.col("has_volts") & (cross > load).fill_null(False)
    ordered = homes.with_columns(
        pl.when(is_exchanged).then(f"{WITNESS}{other}_{leg}").otherwise(f"{WITNESS}{name}_{leg}")
        .alias(f"{WITNESS}{name}_{leg}")
        for name, other in (("load", "cross"), ("cross", "load"))
        for leg in ("l1", "l2")
    )  # fmt: skip
    has_size = pl.col("has_meter") | (pl.col("sees_pv_true") & pl.col("has_pv"))
    probes = {"pv": pl.col("has_pv"), "load": has_size, "cross": pl.col("has_l2"), "pair": pl.col("has_l2")}
    witnesses = [name for name in truth.columns if name.startswith(WITNESS)]
    witnessed = ordered.select(
        "site_id",
        *(
            pl.when(probes.get(name.split("_")[1], pl.lit(True)))
            .then(pl.col(name).cast(pl.Float64))
            .alias(name)
            for name in witnesses
        ),
        *(pl.col(f"{WITNESS}load_{leg}").round(2).sign().alias(f"sign_{leg}") for leg in ("l1", "l2")),
        *(pl.col(name).cast(pl.Float64) for name in flags),
    )
    return _add_leg_extremes(witnessed.join(registered, on="site_id", how="left"))


def _add_leg_extremes(table: pl.DataFrame) -> pl.DataFrame:
    """Add what the same numbers say of a fault on either leg, so that few homes are enough to learn it.

    How far the answer to production is from the declared one, and of each pair of legs the lower and the higher.
    """
    unit = pl.when(pl.col("is_single") == 1).then(1.0).otherwise(0.5)
    declared = unit * (pl.col("ct_sees_pv") - pl.col("pv_added_back").fill_null(0.0))
    departures = {f"departure_{leg}": pl.col(f"{WITNESS}pv_{leg}") + declared for leg in ("l1", "l2")}
    pairs = (f"{WITNESS}pv", f"{WITNESS}load", f"{WITNESS}cross", f"{WITNESS}alive", "departure", "sign")
    low = (pl.min_horizontal(f"{name}_l1", f"{name}_l2").alias(f"{name}_low") for name in pairs)
    high = (pl.max_horizontal(f"{name}_l1", f"{name}_l2").alias(f"{name}_high") for name in pairs)
    return table.with_columns(**departures).with_columns(
        *low, *high, pl.col(f"{WITNESS}pair").abs().alias("pair_off")
    )


def predict_out_of_fold(
    table: pl.DataFrame, fault: pl.Series, seed: int, *, folds: int = FOLDS
) -> pl.DataFrame:
    """Return one column a class with each home's likelihood by trees that haven't seen the home.

    A fault with fewer homes than folds is not told apart from the others (its likelihood stays with what it looks
    like).

    Parameters
    ----------
    table
        Features of n homes: numbers, null for unknown.
    fault
        Shape (n,): the truth, with "sound".
    seed
        Of the trees and the folds.
    folds
        How many, stratified by fault.
    """
    values = table.to_numpy().astype(np.float64)
    truth = fault.to_numpy().astype(str)
    names = np.unique(truth)
    share = np.zeros((truth.size, names.size))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a class with fewer homes than folds
        for train, test in StratifiedKFold(folds, shuffle=True, random_state=seed).split(values, truth):
            known = np.isin(names, truth[train])
            share[np.ix_(test, known)] = _fit_predict(values[train], truth[train], values[test], seed)
    return pl.DataFrame(share, schema=names.tolist())


def _fit_predict(values: Float, truth: NDArray[np.str_], asked: Float, seed: int) -> Float:
    """Return (m, classes in sorted order): the likelihoods of the homes `asked`, by trees fitted to the others."""
    trees = HistGradientBoostingClassifier(
        max_iter=TREES, max_leaf_nodes=LEAVES, l2_regularization=L2_PENALTY, min_samples_leaf=5, early_stopping=False,
        random_state=seed,
    )  # fmt: skip
    # Of a column without a single value trees can't be grown; it tells nothing.
    known = ~np.isnan(values).all(axis=0)
    with threadpool_limits(
        1, user_api="openmp"
    ):  # more threads than free cores wait for each other for minutes
        share: Float = trees.fit(values[:, known], truth).predict_proba(asked[:, known])
    return share


def replace_scores(homes: pl.DataFrame, share: pl.DataFrame, site_ids: pl.Series) -> pl.DataFrame:
    """Return `homes` as the limit would have it: its likelihoods, names, ranks; truth and weights stay.

    Where the homes are weighted as in an ordinary fleet the likelihoods are moved to its share of faults, as ours are.
    Legs are not asked of it. A home's twin name counts as in `homes`. `share` (`predict_out_of_fold`) has a row for
    each of `site_ids`.
    """
    weights = dict(homes.group_by("is_faulty").agg(pl.col("weight").mean()).iter_rows())
    moved = share.to_numpy() * [weights.get(name != SOUND, 1.0) for name in share.columns]
    moved /= np.maximum(moved.sum(axis=1, keepdims=True), 1e-300)
    limit = pl.DataFrame({
        "site_id": site_ids,
        "likelihood": 1 - moved[:, share.columns.index(SOUND)] if SOUND in share.columns else np.ones(share.height),
        "named": np.array(share.columns)[moved.argmax(axis=1)],
    })  # fmt: skip
    is_right = pl.any_horizontal(pl.col("named").eq_missing(pl.col(name)) for name in ("fault", "twin"))
    scored = homes.drop("likelihood", "named", "rank").join(limit, on="site_id", how="inner")
    return rank_homes(scored.with_columns(is_named_right=is_right)).select(homes.columns)
