"""The limit on constructed homes: what their data carry is found, what they don't carry is not."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from validation_homes import WITNESSES, scored_homes

from pipeline.evaluation.validation.limit import limit_features, predict_out_of_fold, replace_scores


def seen(has_volts: bool = True, has_meter: bool = False, sees_pv: bool = True, **witness: float) -> dict:
    """What the limit sees of one home upstream of its PV, right but for `witness`."""
    truth = pl.DataFrame(
        [{"site_id": "a", "fault": "sound", "sees_pv_true": sees_pv, **WITNESSES, **witness}]
    )
    sites = pl.DataFrame([
        {"site_id": "a", "service": "120/240", "ct_sees_pv": sees_pv, "pv_added_back": False, "cts_per_leg": 1,
         "ct_location": "service_entrance"}
    ])  # fmt: skip
    channels = pl.DataFrame(
        [{"site_id": "a", "has_l2": True, "has_pv": True, "has_volts": has_volts, "has_meter": has_meter}]
    )
    return limit_features(truth, sites, channels).row(0, named=True)


def test_the_size_of_a_load_is_seen_by_a_meter_or_by_production_only() -> None:
    half = {"witness_load_l1": 0.5}

    assert seen(**half)["witness_load_l1"] == 0.5
    assert seen(sees_pv=False, **half)["witness_load_l1"] is None
    assert seen(sees_pv=False, has_meter=True, **half)["witness_load_l1"] == 0.5


def test_the_sign_of_a_load_is_always_seen() -> None:
    assert seen(sees_pv=False, witness_load_l1=-1.0)["sign_l1"] == -1
    assert seen(sees_pv=False, witness_load_l1=0.0)["sign_l1"] == 0


def test_crossed_legs_look_turned_without_leg_voltages() -> None:
    crossed = {
        "witness_load_l1": 0.0,
        "witness_load_l2": 0.0,
        "witness_cross_l1": -1.0,
        "witness_cross_l2": -1.0,
    }
    turned = {"witness_load_l1": -1.0, "witness_load_l2": -1.0}

    assert seen(has_volts=False, **crossed) == seen(has_volts=False, **turned)
    assert seen(has_volts=True, **crossed) != seen(has_volts=True, **turned)


def test_trees_find_what_a_feature_tells_and_nothing_of_what_it_does_not() -> None:
    rng = np.random.default_rng(5)
    fault = pl.Series(["dead"] * 40 + ["partial"] * 40 + ["sound"] * 120)
    table = pl.DataFrame(
        {"alive": np.where(fault == "dead", 0.0, 1.0), "noise": rng.random(200), "none": [None] * 200}
    )

    share = predict_out_of_fold(table.cast(pl.Float64), fault, seed=1)

    assert share.columns == ["dead", "partial", "sound"]
    assert share.sum_horizontal().to_numpy() == pytest.approx(np.ones(200))
    assert share["dead"][:40].min() > 0.9
    assert share["dead"][40:].max() < 0.1
    # a part of a bundle outside the CT with nothing to see it by: as likely as its share of those that look alike
    assert share["partial"][40:80].mean() == pytest.approx(0.25, abs=0.12)


def test_a_fault_of_one_home_is_not_told_apart_and_breaks_nothing() -> None:
    fault = pl.Series(["dead"] * 10 + ["partial"] + ["sound"] * 10)
    table = pl.DataFrame({"alive": np.where(fault == "dead", 0.0, 1.0)})

    share = predict_out_of_fold(table, fault, seed=1, folds=5)

    assert share["partial"][10] == 0.0


def test_the_limit_is_ranked_and_named_like_ours() -> None:
    homes = [
        (0.9, "sound", None, "dead", "l1", None),
        (0.8, "legs_crossed", "both", "reversed", "both", None),
        (0.1, "dead", "l1", "sound", None, None),
    ]
    ours = scored_homes(homes, has_volts=False)
    share = pl.DataFrame({"dead": [0.0, 0.1, 0.9], "reversed": [0.1, 0.6, 0.0], "sound": [0.9, 0.3, 0.1]})

    best = replace_scores(ours, share, pl.Series(["h000", "h001", "h002"]))

    assert best["site_id"].to_list() == ["h002", "h001", "h000"]
    assert best["named"].to_list() == ["dead", "reversed", "sound"]
    assert best["is_named_right"].to_list() == [True, True, True]
    assert best.columns == ours.columns
