"""Sums of an hourly meter give reading over truth, with an error that holds what the meter's steps cost."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from metered_homes import Metered

from pipeline.core.settings import load_settings
from pipeline.features.utility_meter.evidence import (
    EVIDENCE,
    NOT_FOLLOWING,
    TOO_FEW,
    home_evidence,
    meter_evidence,
)

SETTINGS = load_settings()
HOME = Metered.drawn(14)


def evidence(utility: pl.DataFrame, hours: pl.DataFrame) -> dict[str, Any]:
    return dict(home_evidence(utility, hours, settings=SETTINGS.utility, day=SETTINGS.day))


def fit(row: dict[str, Any]) -> tuple[list[float], list[float]]:
    """Coefficients on leg 1, leg 2 and production, and the legs' standard errors, as site_window_fit has them."""
    xx = np.array([
        [row["nm_11"], row["nm_12"], row["nm_1p"]], [row["nm_12"], row["nm_22"], row["nm_2p"]],
        [row["nm_1p"], row["nm_2p"], row["nm_pp"]],
    ]) + np.eye(3)  # fmt: skip
    xy = np.array([row["nm_n1"], row["nm_n2"], row["nm_np"]])
    b = np.linalg.solve(xx, xy)
    left = max(row["nm_nn"] - b @ xy, 0.0)
    return b.tolist(), np.sqrt(left / (row["nm_n"] - 3) * np.diag(np.linalg.inv(xx))).tolist()[:2]


@pytest.mark.parametrize("minutes", [15, 60])
@pytest.mark.parametrize("late_min", [0, 60])
def test_scale_and_production_come_out_of_meters_of_any_length_and_clock(minutes: int, late_min: int) -> None:
    row = evidence(HOME.meter(minutes, late_min), HOME.hours(gain_l1=0.5, gain_l2=2.0))
    b, se = fit(row)

    assert row["why_not"] is None
    assert row["meter_offset_min"] == late_min
    assert row["meter_hours"] == 14 * 24
    assert b == pytest.approx([2.0, 0.5, -1.0], abs=0.01)
    assert max(se) < 0.01


def test_the_error_holds_what_the_steps_of_the_meter_cost_however_well_few_hours_fit() -> None:
    hours = Metered.drawn(4).hours()
    fine, coarse = (evidence(Metered.drawn(4).meter(60), hours), evidence(Metered.drawn(4).meter(60), hours))
    coarse = evidence(Metered.drawn(4).meter(60).with_columns(step_wh=pl.lit(100.0)), hours)

    least = coarse["nm_n"] * 2 * 100.0**2 / 12
    b, _ = fit(coarse)
    explained = sum(a * coarse[name] for a, name in zip(b, ("nm_n1", "nm_n2", "nm_np"), strict=True))
    assert coarse["nm_nn"] - explained == pytest.approx(least, rel=1e-6)
    assert coarse["nm_nn"] > fine["nm_nn"]


def test_energies_in_two_decimals_of_a_kwh_still_tell_the_scale() -> None:
    b, se = fit(evidence(HOME.meter(60, step_wh=10.0), HOME.hours(gain_l1=0.5)))

    assert b[:2] == pytest.approx([2.0, 1.0], abs=4 * max(se))
    assert max(se) < 0.02


def test_a_meter_of_import_only_speaks_of_hours_without_production_only() -> None:
    row = evidence(HOME.meter(has_export=False), HOME.hours(gain_l1=2.0))
    b, _ = fit(row)

    assert row["is_dark_only"]
    assert row["meter_hours"] < 14 * 14
    assert row["nm_pp"] == 0
    assert b[:2] == pytest.approx([0.5, 1.0], abs=0.02)
    assert row["ne_net"] == pytest.approx(row["ne_l1"] / 2 + row["ne_l2"], rel=0.01)


def test_another_homes_meter_and_a_short_one_are_no_evidence() -> None:
    neighbour = Metered(*(Metered.drawn(14, 9).l1_w, Metered.drawn(14, 9).l2_w, HOME.pv_w))

    assert evidence(neighbour.meter(60), HOME.hours())["why_not"] == NOT_FOLLOWING
    assert evidence(HOME.meter(60).head(48), HOME.hours())["why_not"] == TOO_FEW
    later = HOME.meter(60).with_columns(pl.col("interval_start") + pl.duration(days=90))
    assert evidence(later, HOME.hours()) == {"meter_hours": 0, "why_not": TOO_FEW}


def test_a_home_is_the_same_whoever_else_is_in_the_table() -> None:
    other = Metered.drawn(14, 3)
    utility = pl.concat([HOME.meter(60), other.meter(60, site_id="b"), other.meter(60, site_id="c")])
    hours = pl.concat([HOME.hours(), other.hours(site_id="b")])

    both = meter_evidence(utility, hours, settings=SETTINGS.utility, day=SETTINGS.day)
    alone = meter_evidence(HOME.meter(60), HOME.hours(), settings=SETTINGS.utility, day=SETTINGS.day)

    assert both["site_id"].to_list() == ["a", "b"]
    assert both.schema == EVIDENCE
    assert both.head(1).equals(alone)
