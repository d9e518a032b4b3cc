"""First differences: the columns of sql/site_day_step.sql in pandas."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.evaluation.pandas_oracle.level import OTHER, by_home


def step_sums(rows: Any) -> Any:
    """Return the squares and products of the steps, night (`_n`) and day (`_d`) apart, a row a home."""
    steps = rows.loc[rows["is_step"]]
    d1, d2, dp = steps["d_l1_w"], steps["d_l2_w"], steps["d_probe_w"]
    dv, dm = steps["d_vdiff_v"], steps["d_vmean_v"]
    legs = d1.notna() & d2.notna()
    volt = legs & dv.notna() & (steps["is_night"] | dp.notna() | steps["probe_w"].isna())
    made: dict[str, Any] = {}
    for end, when in (("n", steps["is_night"]), ("d", ~steps["is_night"])):
        both, lit = when & legs, when & volt
        made |= {
            f"d_n_{end}": when, f"d11_{end}": (d1**2).where(both), f"d22_{end}": (d2**2).where(both),
            f"d12_{end}": (d1 * d2).where(both), f"vd_n_{end}": lit, f"vd_11_{end}": (d1**2).where(lit),
            f"vd_22_{end}": (d2**2).where(lit), f"vd_12_{end}": (d1 * d2).where(lit),
            f"vd_1v_{end}": (d1 * dv).where(lit), f"vd_2v_{end}": (d2 * dv).where(lit),
            f"vd_vv_{end}": (dv**2).where(lit), f"vm_1m_{end}": (d1 * dm).where(when),
            f"vm_2m_{end}": (d2 * dm).where(when), f"vm_mm_{end}": (dm**2).where(when),
            f"vm_vm_{end}": (dv * dm).where(when),
        }  # fmt: skip
        if end == "d":
            made |= {
                "dpp_d": (dp**2).where(when), "d1p_d": (d1 * dp).where(when), "d2p_d": (d2 * dp).where(when),
                "vd_pp_d": (dp**2).where(lit), "vd_1p_d": (d1 * dp).where(lit), "vd_2p_d": (d2 * dp).where(lit),
                "vd_pv_d": (dp * dv).where(lit), "vm_pm_d": (dp * dm).where(when),
            }  # fmt: skip
    return by_home(made, steps)


def alike(rows: Any, p: dict[str, Any]) -> Any:
    """Return what simultaneous steps of the legs look like, a row a home."""
    steps = rows.loc[rows["is_step"]]
    step = {"l1": steps["d_l1_w"], "l2": steps["d_l2_w"]}
    d1, d2 = step.values()
    bigger = np.maximum(d1.abs().fillna(0), d2.abs().fillna(0))
    near = p["alike_w"] + p["alike_share"] * bigger
    with np.errstate(divide="ignore", invalid="ignore"):
        log_ratio = np.log((d2.where(d2 != 0) / d1.where(d1 != 0)).abs())
    large = (d1.abs() >= p["pair_w"]) & (d2.abs() >= p["pair_w"])
    pair = steps["is_calm"] & large & (log_ratio.abs() < p["pair_log_range"])
    made = {"n_pair": pair, "n_pair_same": pair & (d1 * d2 > 0), "n_pair_opposite": pair & (d1 * d2 < 0)}
    for end, when in (("n", steps["is_night"]), ("d", ~steps["is_night"])):
        active = when & (bigger >= p["active_w"])
        made |= {
            f"n_active_{end}": active,
            f"n_equal_{end}": active & ((d1 - d2).abs() <= near),
            f"n_mirror_{end}": active & ((d1 + d2).abs() <= near),
        }
    leaks = {}
    for leg, other in OTHER.items():
        level, before = steps[f"{leg}_w"], steps[f"before_{leg}_w"]
        back = (level + before).abs() < p["glitch_share"] * level.abs()
        made[f"n_glitch_{leg}"] = (level * before < 0) & back & (level.abs() > p["drop_w"])
        alone = (step[other].abs() >= p["leak_w"]) & (step[leg].abs() < 0.5 * step[other].abs())
        made[f"n_leak_{leg}"] = leaks[leg] = steps["is_calm"] & alone
    found = by_home(made, steps)
    pairs = steps.loc[pair]
    found["pair_log_ratio"] = log_ratio[pair].groupby(pairs["site_id"], observed=True).median()
    for leg, other in OTHER.items():
        leaking = leaks[leg]
        copied = (step[leg] / step[other])[leaking]
        of_home = copied.groupby(steps.loc[leaking, "site_id"], observed=True)
        found[f"leak_{leg}"] = of_home.median()
        low, high = of_home.quantile(0.25), of_home.quantile(0.75)
        found[f"leak_least_{leg}"] = low.clip(lower=0) + high.clip(upper=0)
    return found
