"""Homes with three lines in table site_signal: which column says what of which line or pair of lines.

A home has one row. Columns of a line end in l1, l2, l3 (`slope_l3`); columns of a pair of lines are those of lines 1
and 2 under their own name, with _23 and _31 of the other two pairs (`leg_corr_night_23`). In pair 31 line 3 is the
first. What a line shows beside another one, as a zero while that lives, is the larger of its two pairs; the pairs' own
are in _12, _23 and _31. What is said of the whole home is said of the sum of all three lines.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

import polars as pl
import polars.selectors as cs

from pipeline.core.services import LINES

PAIRS: Final = {"12": ("l1", "l2"), "23": ("l2", "l3"), "31": ("l3", "l1")}
PAIR_INDICES: Final = {pair: tuple(LINES.index(line) for line in lines) for pair, lines in PAIRS.items()}
SUM: Final = "sum"
VIEWS: Final = ("23", "31", SUM)  # of table line_day
# Of each line beside the other: the line's own column is the larger of its two pairs. The first decides for the others.
OF_BOTH_PAIRS: Final = (
    ("leak_{}", "leak_{}_se", "leak_least_{}"), ("lone_zero_{}_share",), ("gap_{}_share", "gap_{}_sharpness"),
    ("drop_{}_day",),
)  # fmt: skip
_CHOSEN = tuple(name.format(leg) for names in OF_BOTH_PAIRS for name in names for leg in ("l1", "l2"))
PAIR_COLUMNS: Final = (
    "leg_corr_night", "leg_corr_day", "step_corr_night", "step_corr_day", "leg_gain_night", "equal_share",
    "mirror_share", "equal_day_share", "mirror_day_share", "active_steps", "active_day_steps", "pair_n",
    "pair_opposite_share", "pair_log_ratio", "pair_log_se", "sag_l1", "sag_l2", "sag_l1_se", "sag_l2_se", "sag_l1_z",
    "sag_l2_z", "sag_apart", "sag_one_z", "sag_log_ratio", "sag_log_se", "sag_v_per_kw", "volt_share", "volt_ratio",
    "vdiff_rms_v", *_CHOSEN,
)  # fmt: skip
# What the sum of three lines is called, and as what a one-line home has it.
_SUM_COLUMNS = {
    "slope_sum": "slope_l1", "slope_sum_se": "slope_l1_se", "gain_sum": "gain_l1", "gain_sum_se": "gain_l1_se",
    "night_sum_w": "night_l1_w", "night_sum_low_w": "night_l1_low_w", "night_sum_high_w": "night_l1_high_w",
    "night_sum_negative_share": "night_l1_negative_share",
}  # fmt: skip
_LEG = re.compile(r"(?:^|_)l([123])(?=_|$)")
_OF_THREE = r"(?:^|_)l3(?:_|$)|_(?:12|23|31)$|^pv_share_l[12]$"
LINE_COLUMNS: Final = cs.matches(_OF_THREE)  # there only with homes that have three lines


def pair_home(pair: pl.Expr) -> pl.Expr:
    """Return what a pair of lines of column site_id's home is called where each pair stands for a home of its own.

    No id ends with a line's end, since blanks and control characters around ids are taken off.
    """
    return pl.concat_str("site_id", pl.lit("\n"), pair, pl.lit("\n"))


def rows_of_pair(frame: pl.DataFrame, pair: str) -> pl.DataFrame:
    """Return the rows of a pair in a frame of `pair_home`s, under the home's own id."""
    ending = f"\n{pair}\n"
    rows = frame.filter(pl.col("site_id").str.ends_with(ending))
    return rows.with_columns(pl.col("site_id").str.strip_suffix(ending))


def under_pair(frame: pl.DataFrame, pair: str) -> pl.DataFrame:
    """Return a frame by home with the homes called as `pair_home` does."""
    return frame.with_columns(pair_home(pl.lit(pair)).alias("site_id"))


def line_columns(names: Iterable[str]) -> list[str]:
    """Return those of site_signal's columns that say something of line 1 and no other line."""
    first = (name for name in names if (found := _LEG.search(name)) and found[1] == "1")
    return [name for name in first if name not in PAIR_COLUMNS and not re.search(_OF_THREE, name)]


def of_line(column: str, line: str) -> str:
    """Return what a column of line 1 is called of another line.

    >>> of_line("night_l1_low_w", "l3")
    'night_l3_low_w'
    """
    return _LEG.sub(lambda found: found[0].replace(f"l{found[1]}", line), column, count=1)


def pair_column(column: str, pair: str) -> str:
    """Return what a column of PAIR_COLUMNS is called of a pair."""
    return column if pair == "12" and column not in _CHOSEN else f"{column}_{pair}"


def pair_view(signals: pl.DataFrame, pair: str) -> pl.DataFrame:
    """Return table site_signal as if each home had only a pair of its lines, under a two-leg home's column names.

    Of a home without three lines pair "12" is the row itself; of the others nothing is known (null), nor is of a table
    without such a home. What is said of the whole home stays as it is.

    Parameters
    ----------
    signals
        Table site_signal.
    pair
        "12", "23", "31" (line 3 as leg 1), or "sum": all lines as one, a one-line home.
    """
    schema = signals.schema
    is_three = pl.col("line_count") == 3

    def asked(name: str, kind: pl.DataType) -> pl.Expr:
        return pl.col(name) if name in schema else pl.lit(None, kind)

    def put(name: str, source: str) -> pl.Expr:
        other = pl.col(name) if pair == "12" else pl.lit(None, schema[name])
        return pl.when(is_three).then(asked(source, schema[name])).otherwise(other).alias(name)

    both = [
        (line, name)
        for name in line_columns(schema)
        for line in ("l1", "l2")
        if of_line(name, line) in schema
    ]
    if pair == SUM:
        told = {as_line: whole for whole, as_line in _SUM_COLUMNS.items()}
        sources = {of_line(name, leg): told.get(of_line(name, leg), "") for leg, name in both}
        sources |= {name: "" for name in PAIR_COLUMNS if name in schema}
    else:
        first, second = PAIRS[pair]
        sources = {of_line(name, leg): of_line(name, first if leg == "l1" else second) for leg, name in both}
        sources |= {name: pair_column(name, pair) for name in PAIR_COLUMNS if name in schema}
    return signals.with_columns(put(name, source) for name, source in sources.items()).drop(LINE_COLUMNS)
