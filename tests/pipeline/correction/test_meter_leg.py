"""How far the utility's meter and the legs lie apart is read from right homes: a leg's error."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from leg_fleet import fleet

from pipeline.correction.meter_leg import UNKNOWN, fit_meter_error, metered_leg
from pipeline.correction.raw_readings import with_raw


def metered(seed: int, share: float, step_wh: float, homes: int = 30) -> pl.DataFrame:
    """Homes whose meters are off by `share` (standard deviation over homes) and count in steps."""
    rng = np.random.default_rng(seed)
    off = pl.DataFrame(
        {"site_id": [f"H{home}" for home in range(homes)], "off": 1 + rng.normal(0, share, homes)}
    )
    energy = (pl.col("l1_w") + pl.col("l2_w")) / 2 * pl.col("off")
    return (
        fleet(homes, seed).join(off, on="site_id", maintain_order="left")
        .with_columns(import_wh=(energy / step_wh).round() * step_wh, export_wh=pl.lit(0.0)).drop("off")
    )  # fmt: skip


def test_the_error_that_homes_were_made_with_is_found() -> None:
    error = fit_meter_error(metered(1, 0.01, 10.0))
    assert error.common_share == pytest.approx(0.01, rel=0.4)
    assert error.floor_w == pytest.approx(20 / 12**0.5, rel=0.3)  # 10 Wh in half an hour are 20 W
    assert error.homes == 30


def test_a_leg_by_the_meter_lies_in_its_interval() -> None:
    error, rows = fit_meter_error(metered(1, 0.01, 10.0)), with_raw(metered(2, 0.01, 10.0))
    leg = rows.select(**metered_leg(["l2"], error))
    is_in = (rows["l1_w"] >= leg["low"]) & (rows["l1_w"] <= leg["high"])
    assert 0.93 <= float(is_in.mean()) <= 1.0  # type: ignore[arg-type]


def test_without_metered_homes_the_limits_of_the_instruments_stand() -> None:
    assert fit_meter_error(fleet(10)) == UNKNOWN
    assert fit_meter_error(metered(1, 0.01, 10.0, homes=4)) == UNKNOWN


def test_a_home_whose_meter_counts_something_else_has_no_say() -> None:
    rows = metered(1, 0.01, 10.0)
    half = pl.when(pl.col("site_id") == "H3").then(0.5).otherwise(1.0)
    error = fit_meter_error(rows.with_columns(import_wh=pl.col("import_wh") * half))
    assert error.homes == 29
    assert error.common_share < 0.02
