"""The tables of corrected readings: episodes of a fault, and corrected rows in the contract's own columns.

All powers are mean W of an interval in the contract's signs; `low` and `high` bound 95 %.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import PV_BY_LINE, Interval
from pipeline.core.services import LINES

# What of a home's record an episode carries.
OF_EPISODE = ("service", "is_upstream", "is_added_back", "has_battery")
# How a row came about.
EXACT, ESTIMATED, AS_REPORTED, EMPTY = "exact", "estimated", "as reported", "empty"
METHODS = (EXACT, ESTIMATED, AS_REPORTED, EMPTY)
# What says that the fault was there, and what ended it.
SUSPECTED, FOUND = "suspected by the data", "found on a visit"
BY_DATA, BY_VISIT, BY_SETTING = "data", "visit", "setting"

# One row a fault of a home from a day to a day (`to_on` null: still there); a home's episodes don't overlap.
# `gain_*` is reading over truth of a leg, `ratio` configured over true CT ratio, each with its standard error and
# `gain_by`, what says so; the rival is the likeliest other fault. `wiring` is, at a home of three lines, on which line
# each channel's CT sits and how it faces ("l2+ l3+ l1+"), null where that follows from fault and leg. `why_not` says
# why nothing is corrected, null where it is.
EPISODE = pl.Schema(
    {
        "site_id": pl.String, "fault": pl.String, "leg": pl.String, "from_on": pl.Date, "to_on": pl.Date,
        "likelihood": pl.Float64, "basis": pl.String, "ended_by": pl.String, "why_not": pl.String,
        "service": pl.String, "is_upstream": pl.Boolean, "is_added_back": pl.Boolean, "has_battery": pl.Boolean,
        **{f"gain_{leg}{end}": pl.Float64 for leg in LINES for end in ("", "_se")},
        "ratio": pl.Float64, "ratio_se": pl.Float64, "gain_by": pl.String,
        "rival_fault": pl.String, "rival_leg": pl.String, "rival_likelihood": pl.Float64,
        "wiring": pl.String,
    }
)  # fmt: skip
_POWERS: dict[str, pl.DataType] = {
    f"{channel}_{end}": pl.Float64()
    for channel in (*(f"{leg}_w" for leg in LINES), "pv_w", "sum_w")
    for end in ("low", "high")
}
_CONTRACT: dict[str, pl.DataType] = {
    name: kind for name, kind in pl.Schema(Interval).items() if name not in PV_BY_LINE
}
# The contract's columns put right, null where left empty; then what was done. `factor_*` is corrected over reported.
# Columns of l3 are null at homes without a third line.
# `sum_w_low`, `sum_w_high` bound the sum of all legs by what errs alike in all rows of an episode. `sum_w_common` is
# what of it a factor that errs by one standard deviation too much makes of the row: signed, so that import and export
# cancel.
# `sum_w_scatter` is the standard deviation of what errs row by row and is remembered for about an hour.
CORRECTED = pl.Schema(
    {
        **_CONTRACT, "is_corrected": pl.Boolean(), "method": pl.String(), "fault": pl.String(), "leg": pl.String(),
        "likelihood": pl.Float64(), **{f"factor_{leg}": pl.Float64() for leg in LINES}, **_POWERS,
        "sum_w_common": pl.Float64(), "sum_w_scatter": pl.Float64(),
        **{f"{leg}_w_reported": pl.Float64() for leg in LINES}, "pv_w_reported": pl.Float64(), "reason": pl.String(),
    }
)  # fmt: skip
