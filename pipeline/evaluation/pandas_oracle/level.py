"""Levels: the columns of sql/site_day_level.sql in pandas."""

from __future__ import annotations

from typing import Any

OTHER = {"l1": "l2", "l2": "l1"}


def by_home(made: dict[str, Any], rows: Any) -> Any:
    """Return the sums of these columns over each home's rows; without a number, a sum is missing."""
    import pandas as pd  # type: ignore[import-untyped]

    return pd.DataFrame(made).groupby(rows["site_id"], observed=True).sum(min_count=1)


def counts(rows: Any, p: dict[str, Any]) -> Any:
    """Return the counts of rows, a row a home, and how long its intervals are [min]."""
    zero_w, noise_w, night, dark = p["zero_w"], p["noise_w"], rows["is_night"], rows["is_dark"]
    live, sun, day = rows["is_pv_live"], rows["sun_sin"] > p["sun_sin"], ~rows["is_night"]
    size = {leg: rows[f"{leg}_w"].abs() for leg in OTHER}
    zero = {leg: size[leg] < zero_w for leg in OTHER}
    both_w = rows["l1_w"] + rows["l2_w"].fillna(0)
    all_zero = zero["l1"] & (zero["l2"] | rows["l2_w"].isna()) & (rows["pv_w"].abs() < zero_w)
    made = {
        "n_row": rows["interval_start"].notna(), "n_l1": rows["l1_w"].notna(), "n_l2": rows["l2_w"].notna(),
        "n_pv": rows["pv_w"].notna(), "n_volt": rows["vdiff_v"].notna(), "n_net": rows["net_w"].notna(),
        "n_battery": rows["battery_w"].notna(), "covered_min": rows["length_min"], "n_dark": dark,
        "n_dark_pv_live": dark & (rows["pv_w"].abs() > rows["pv_quiet_w"]), "n_night": night, "n_sun": sun,
        "n_neg_sum_night": night & (both_w < -noise_w), "n_pv_sun": sun & live,
        "n_balanced": sun & live & (both_w.abs() < p["balanced_w"]), "n_zero_all": all_zero & sun,
        "n_step_row": rows["is_step"],
    }  # fmt: skip
    for leg, other in OTHER.items():
        level, other_live = rows[f"{leg}_w"], size[other] > p["drop_w"]
        lone = zero[leg] & (rows[f"before_{leg}_w"].abs() < zero_w) & (other_live | live)
        made |= {
            f"n_neg_{leg}_night": night & (level < -noise_w), f"n_neg_{leg}_day": day & (level < -noise_w),
            f"n_zero_{leg}": zero[leg], f"n_zero_{leg}_dark": dark & zero[leg],
            f"n_gap_{leg}": night & zero[leg] & other_live,
            f"n_low_{leg}": night & ~zero[leg] & (size[leg] < 5 * zero_w),
            f"n_lone_{leg}": lone, f"n_tiny_{leg}": size[leg] < p["tiny_w"],
            f"n_stale_{leg}": rows["is_step"] & (rows[f"d_{leg}_w"] == 0) & (size[leg] >= zero_w),
            f"n_drop_{leg}": rows["is_step"] & lone & (rows[f"twice_before_{leg}_w"].abs() > p["drop_w"]),
        }  # fmt: skip
    found = by_home(made, rows)
    found["length_min"] = rows.groupby("site_id", observed=True)["length_min"].min()
    return found


def sums(rows: Any) -> Any:
    """Return the sums and squares of the levels, a row a home."""
    l1, l2, pv, hour = rows["l1_w"], rows["l2_w"], rows["pv_w"], rows["length_min"] / 60
    sky = rows["sun_sin"].clip(lower=0).fillna(0)
    made = {
        "pv_dark_w": pv.abs().where(rows["is_dark"]), "sky_n": sky.notna(), "sky_x": sky, "sky_xx": sky**2,
        "pv_sky": pv * sky, "pv_all_w": pv, "pv_pv_all": pv**2, "pv_cos_w": pv * rows["hour_cos"],
        "pv_sin_w": pv * rows["hour_sin"], "pv_wh": pv * hour, "pv_abs_w": pv.abs(),
        "l1_v_sum": rows["l1_v"].where(rows["vdiff_v"].notna()),
        "l2_v_sum": rows["l2_v"].where(rows["vdiff_v"].notna()), "vdiff_vdiff": rows["vdiff_v"] ** 2,
    }  # fmt: skip
    for leg, level in (("l1", l1), ("l2", l2)):
        made |= {
            f"{leg}_sky": level * sky, f"{leg}_all_w": level, f"{leg}_{leg}_all": level**2,
            f"{leg}_abs_wh": level.abs() * hour,
        }  # fmt: skip
    for when, mask in (("night", rows["is_night"]), ("day", ~rows["is_night"])):
        made |= {
            f"l1_{when}_w": l1.where(mask), f"l2_{when}_w": l2.where(mask), f"l1_l1_{when}": (l1**2).where(mask),
            f"l2_l2_{when}": (l2**2).where(mask), f"l1_l2_{when}": (l1 * l2).where(mask),
        }  # fmt: skip
        if when == "day":
            made |= {
                "pv_day_w": pv.where(mask), "pv_pv_day": (pv**2).where(mask), "l1_pv_day": (l1 * pv).where(mask),
                "l2_pv_day": (l2 * pv).where(mask),
            }  # fmt: skip
    found = by_home(made, rows)
    found["pv_max_w"] = pv.abs().groupby(rows["site_id"], observed=True).max()
    return found


def quantiles(rows: Any, p: dict[str, Any]) -> Any:
    """Return the quantiles and the lowest readings of the night [W], a row a home."""
    import pandas as pd  # type: ignore[import-untyped]

    night, dark = rows.loc[rows["is_night"]], rows.loc[rows["is_dark"]]
    levels = {"l1": night["l1_w"], "l2": night["l2_w"], "sum": night["l1_w"] + night["l2_w"]}
    found = {}
    for name, level in levels.items():
        nights = level.groupby(night["site_id"], observed=True)
        for share in (5, 50, 95):
            found[f"{name}_night_p{share:02d}"] = nights.quantile(share / 100)
    for leg in OTHER:
        of_home = dark[f"{leg}_w"].abs().groupby(dark["site_id"], observed=True)
        found[f"{leg}_dark_size"] = of_home.quantile(0.9)
    zero1, zero2 = (night[f"{leg}_w"].abs() < p["zero_w"] for leg in OTHER)
    awake1 = night.loc[~(zero1 & (zero2 | night["l2_w"].isna()))]
    awake2 = night.loc[~(zero2 & (zero1 | night["l1_w"].isna()))]
    found["l1_night_min"] = awake1.groupby("site_id", observed=True)["l1_w"].min()
    found["l2_night_min"] = awake2.groupby("site_id", observed=True)["l2_w"].min()
    return pd.DataFrame(found)
