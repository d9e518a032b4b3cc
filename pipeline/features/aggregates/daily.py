"""Table site_daily: the few daily numbers in which a change shows, for the onset search and the pictures."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.core.settings import Settings
from pipeline.features.aggregates.days import Float, HomeDays

READ = (
    "n_dark_pv_live", "n_dark", "s_n", "s_l1", "s_l1_se", "s_l2", "s_l2_se", "l1_night_p50", "l2_night_p50",
    "n_night", "n_neg_l1_night", "n_neg_l2_night", "n_l1", "n_l2", "n_lone_l1", "n_lone_l2", "n_tiny_l1",
    "n_tiny_l2", "covered_min",
)  # fmt: skip


def daily_numbers(days: HomeDays, settings: Settings) -> pl.DataFrame:
    """Return table site_daily, one row a home and UTC day, in this order.

    Columns `site_id`, `day`; `slope_l1`, `slope_l1_se`, `slope_l2`, `slope_l2_se` [W/W] slope on the probe, the error
    larger where ramps are few, null where production lives by night: that is no probe; `night_l1_w`, `night_l2_w`
    [W] nightly medians; `night_l1_negative_share`, `night_l2_negative_share` [0..1]; `zero_l1_share`,
    `zero_l2_share` [0..1] zero while another channel lives; `tiny_l1_share`, `tiny_l2_share` [0..1] within a dead
    input's noise; `coverage_share` [0..1].
    """
    read = days.columns(READ)
    home, line = np.nonzero(days.is_there.T)
    out = {"site_id": days.homes.gather(home), "day": days.days.gather(line)}

    def put(name: str, grid: Float) -> None:
        out[name] = pl.Series(days.rows(grid)).fill_nan(None)

    is_lit_by_night = read["n_dark_pv_live"] > 0.5 * read["n_dark"]  # what nobody can tell, NaN, is not
    with np.errstate(divide="ignore", invalid="ignore"):
        few = 1 + settings.feature.few_ramps / read["s_n"]
        for leg in ("l1", "l2"):
            put(f"slope_{leg}", np.where(is_lit_by_night, np.nan, read[f"s_{leg}"]))
            put(f"slope_{leg}_se", np.where(is_lit_by_night, np.nan, read[f"s_{leg}_se"] * few))
        for leg in ("l1", "l2"):
            put(f"night_{leg}_w", read[f"{leg}_night_p50"])
        nights = _or_nan(read["n_night"])
        for leg in ("l1", "l2"):
            put(f"night_{leg}_negative_share", read[f"n_neg_{leg}_night"] / nights)
        rows = {leg: _or_nan(read[f"n_{leg}"]) for leg in ("l1", "l2")}
        for kind, column in (("zero", "lone"), ("tiny", "tiny")):
            for leg in ("l1", "l2"):
                put(f"{kind}_{leg}_share", read[f"n_{column}_{leg}"] / rows[leg])
        put("coverage_share", np.fmin(1, read["covered_min"] / 1440.0))
    return pl.DataFrame(out)


def _or_nan(count: Float) -> Float:
    return np.where(count == 0, np.nan, count)
