"""Slopes on the PV ramps: the columns of sql/ramp.sql and sql/site_day_ramp.sql in pandas."""

from __future__ import annotations

from typing import Any

import numpy as np

_SERIES = ("l1", "l2", "sum", "am", "pm", "l1_var", "l2_var", "net")
_LEVELS = {"l1": "l1_w", "l2": "l2_w", "l1_var": "l1_var", "l2_var": "l2_var", "net": "net_w"}


def slopes(rows: Any, p: dict[str, Any]) -> Any:
    """Return each series' weighted median slope and its error [W/W], the ramps and their sum [W], a row a home."""
    import pandas as pd  # type: ignore[import-untyped]

    lit = rows.loc[~rows["is_dark"] | rows["is_pv_live"]]
    ramps = pd.concat([_ramps(part, length, p) for length, part in lit.groupby("length_min")])
    long = ramps.melt(["site_id", "weight"], list(_SERIES), "series", "ratio").dropna(subset="ratio")
    long = long.sort_values("ratio")
    of_series = long.groupby(["site_id", "series"], observed=True)[["ratio", "weight"]].apply(
        _weighted_median
    )
    wide = pd.DataFrame(
        of_series.tolist(), of_series.index, ["slope", "slope_se", "n_ramp", "weight_w"]
    ).unstack("series")
    found = pd.DataFrame(index=wide.index)
    for series in _SERIES:
        for of, name in (("slope", f"s_{series}"), ("slope_se", f"s_{series}_se")):
            found[name] = wide.get((of, series), np.nan)
    found["s_n"], found["s_w"] = wide["n_ramp"].max(axis=1), wide["weight_w"].max(axis=1)
    return found


def _ramps(lit: Any, length_min: float, p: dict[str, Any]) -> Any:
    """Return the ramps of homes with intervals so long: weight [W] and the ratio of each series."""
    import pandas as pd  # type: ignore[import-untyped]

    span = max(1, int(np.floor(p["ramp_span_min"] / length_min + 0.5)))
    home = lit.groupby("site_id", observed=True)
    around = home["pv_w"].shift(-1) - home["pv_w"].shift(span + 1)
    apart = home["interval_start"].shift(-1) - home["interval_start"].shift(span + 1)
    moved = {name: lit[level] - home[level].shift(span) for name, level in _LEVELS.items()}
    d_pv = lit["pv_w"] - home["pv_w"].shift(span)
    idle = lit["is_battery_idle"] & home["is_battery_idle"].shift(span, fill_value=False)
    is_ramp = (
        idle & (apart == pd.Timedelta(minutes=(span + 2) * length_min)) & (around.abs() >= lit["ramp_w"])
    )
    is_ramp &= around * d_pv > p["ramp_core_share"] * around**2
    d_pv, is_am, placed = d_pv[is_ramp], lit["hour_sin"][is_ramp] < 0, lit["hour_sin"][is_ramp].notna()
    made = {
        "site_id": lit["site_id"][is_ramp],
        "weight": np.floor(around[is_ramp].abs() * 1024 + 0.5) / 1024,
        **{name: step[is_ramp] / d_pv for name, step in moved.items()},
    }
    made["sum"] = (moved["l1"] + moved["l2"].fillna(0))[is_ramp] / d_pv
    made["am"] = made["sum"].where(is_am)
    made["pm"] = made["sum"].where(~is_am & placed)
    return pd.DataFrame(made)


def _weighted_median(ramps: Any) -> tuple[float, float, int, float]:
    """Return the ratio, of ratios in order, with half the weight below it, its error, the ramps and their weight."""
    ratio, weight = ramps["ratio"].to_numpy(), ramps["weight"].to_numpy()
    below, total = weight.cumsum(), weight.sum()
    half = np.sqrt((weight**2).sum()) / 2
    low, middle, high = (
        ratio[min(np.searchsorted(below, total / 2 + way), len(ratio) - 1)] for way in (-half, 0.0, half)
    )
    return middle, (high - low) / 2, len(ratio), total
