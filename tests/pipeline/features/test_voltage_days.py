"""How V1 - V2 moves with each leg's load, found again in a day's sums; only the homes and days asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from day_files import day_rows, june, put_days

from pipeline.features.voltage_days import SCHEMA, voltage_days

STEPS, NOISE_V = 400, 0.1


def sums(l1_v: float, l2_v: float, seed: int, is_lit: bool = True) -> dict[str, Any]:
    """A day's sums where V1 - V2 moves by these V for each kW of a leg."""
    rng = np.random.default_rng(seed)
    one, two, sun = rng.normal(0, 600, STEPS), rng.normal(0, 500, STEPS), rng.normal(0, 900, STEPS)
    volts = (l1_v * one + l2_v * two) / 1000 + rng.normal(0, NOISE_V, STEPS)
    pairs = {"11": one @ one, "22": two @ two, "12": one @ two, "1v": one @ volts, "2v": two @ volts}
    pairs |= {"vv": volts @ volts, "n": STEPS}
    by_day = {"vd_pp_d": sun @ sun, "vd_1p_d": one @ sun, "vd_2p_d": two @ sun, "vd_pv_d": sun @ volts}
    half = "d" if is_lit else "n"
    return {f"vd_{name}_{half}": value for name, value in pairs.items()} | (by_day if is_lit else {})


@pytest.mark.parametrize("is_lit", [True, False])
def test_the_movement_is_found_with_its_standard_error(tmp_path: Path, is_lit: bool) -> None:
    days = [{"site_id": "a", "day": day, **sums(-2.5, 2.4, seed=day, is_lit=is_lit)} for day in range(1, 29)]
    told = voltage_days(put_days(tmp_path, day_rows(*days)), ["a"], june(1))

    assert told.schema == SCHEMA
    assert told["day"].to_list() == [june(day) for day in range(1, 29)]
    for leg, true in (("l1", -2.5), ("l2", 2.4)):
        off = (told[f"v_per_kw_{leg}"] - true) / told[f"v_per_kw_{leg}_se"]
        assert 0.6 < float(off.std()) < 1.5  # type: ignore[arg-type]
        assert abs(float(off.mean())) < 0.6  # type: ignore[arg-type]


def test_other_homes_earlier_days_and_days_without_voltages_have_no_row(tmp_path: Path) -> None:
    rows = [
        {"site_id": "a", "day": 1, **sums(-2, 2, 1)}, {"site_id": "a", "day": 2, **sums(-2, 2, 2)},
        {"site_id": "b", "day": 2, **sums(-2, 2, 3)}, {"site_id": "a", "day": 3, "n_row": 96},
    ]  # fmt: skip
    paths = put_days(tmp_path, day_rows(*rows))
    assert voltage_days(paths, ["a", "nobody"], june(2)).select("site_id", "day").rows() == [("a", june(2))]
    assert voltage_days(paths, [], june(1)).is_empty()
