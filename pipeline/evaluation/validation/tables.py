"""A table of the proof: one frame for the screen, the page, a CSV file and the JSON alike."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Any

import polars as pl

SHARE, COUNT, NUMBER, SCORE, NIGHTS, TEXT = "share", "count", "number", "score", "nights", "text"
# Column: its heading, and how its numbers are written.
HEADINGS: dict[str, tuple[str, str]] = {
    "target": ("target", TEXT), "wanted": ("wanted", TEXT), "measured": ("measured", TEXT), "met": ("", TEXT),
    "fleet": ("fleet", TEXT), "fault": ("fault", TEXT), "kind": ("kind", TEXT), "named": ("named", TEXT),
    "position": ("position", TEXT), "class": ("likelihood of", TEXT), "homes": ("homes", COUNT),
    "faulty": ("faulty", COUNT), "of": ("of", COUNT), "cut": ("cut", COUNT), "found": ("found", COUNT),
    "found_share": ("found", SHARE), "named_share": ("named right", SHARE), "leg_share": ("leg right", SHARE),
    "order_named_share": ("order right", SHARE), "order_leg_share": ("order's leg", SHARE),
    "first_share": ("first 2.5 %", SHARE), "average_precision": ("AP", SCORE), "ece": ("ECE", SCORE),
    "ece_wide": ("ECE wide", SCORE), "brier": ("Brier", SCORE), "reliability": ("reliability", SCORE),
    "resolution": ("resolution", SCORE), "uncertainty": ("uncertainty", SCORE), "expected": ("expected", NUMBER),
    "observed": ("observed", NUMBER), "alarms": ("alarms", COUNT), "share": ("share", SHARE),
    "alarm_share": ("alarms", SHARE), "nights": ("nights", COUNT), "median_nights": ("median", NIGHTS),
    "soon_share": ("in 2 nights", SHARE),
    "suspect_soon_share": ("in 2, any name", SHARE), "missed_unproven": ("missed: unproven", COUNT),
    "missed_sound": ("missed: sound", COUNT), "limit_found_share": ("limit: found", SHARE),
    "limit_missed": ("limit: missed", COUNT), "limit_missed_sound": ("of these sound", COUNT),
    "limit_named_share": ("limit: named", SHARE), "limit_average_precision": ("limit: AP", SCORE),
    "pooled": ("pooled", TEXT), "worst": ("worst fleet", TEXT), "worst_fleet": ("which", TEXT),
    "sound_suspects_1000": ("suspect, of 1,000", NUMBER), "suspects": ("suspects", COUNT),
    "suspects_right_share": ("suspects faulty", SHARE), "listed": ("listed", COUNT),
    "listed_1000": ("listed, of 1,000", NUMBER), "above_cut": ("above the cut", COUNT),
    "true_rate": ("faulty", SHARE), "rate": ("told", SHARE), "rate_low": ("from", SHARE), "rate_high": ("to", SHARE),
    "installs_true": ("wrong installs", SHARE), "installs_rate": ("told of them", SHARE), "crews": ("crews", COUNT),
    "crews_held": ("crews held", COUNT), "crews_held_share": ("intervals hold", SHARE),
    "stand_out": ("stand out", COUNT), "family": ("family", TEXT), "fleets": ("fleets", COUNT),
    "log_loss": ("log loss", SCORE), "false_alarm_share": ("false alarms", SHARE),
}  # fmt: skip
INTERVAL = "95 % interval"


@dataclass(frozen=True)
class Table:
    """`frame` with a title and a note; `name` is its file's, `shown` the columns that screen and page have.

    All columns where `shown` is empty; the CSV file and the JSON have all anyway.
    """

    name: str
    title: str
    frame: pl.DataFrame
    note: str = ""
    shown: tuple[str, ...] = ()

    def cells(self) -> tuple[list[str], list[list[str]], list[bool]]:
        """Return headings, rows of text, and which columns are numbers; `low` and `high` are one column."""
        frame = self.frame.select(self.shown) if self.shown else self.frame
        columns = [name for name in frame.columns if name != "high"]
        rows = []
        for row in frame.to_dicts():
            rows.append([_interval(row) if name == "low" else written(name, row[name]) for name in columns])
        headings = [
            INTERVAL if name == "low" else HEADINGS.get(name, (_plain(name), COUNT))[0] for name in columns
        ]
        return headings, rows, [HEADINGS.get(name, ("", COUNT))[1] != TEXT for name in columns]


def written(column: str, value: Any) -> str:
    """Return a value as people read it: shares in per cent, scores with four digits, nothing as a dash."""
    if value is None or (isinstance(value, float) and not isfinite(value)):
        return "–"
    how = HEADINGS.get(column, ("", COUNT))[1]
    if how == TEXT:
        return _plain(str(value))
    if how == SHARE:
        return percent(value)
    if how == SCORE:
        return f"{value:.4f}"
    if how == NUMBER:
        return f"{value:.1f}"
    return f"{value:g}" if how == NIGHTS else f"{value:.0f}"


def percent(share: float) -> str:
    """Return a share in per cent; 100 only where it is whole."""
    text = f"{100 * share:.1f}"
    return f"{'99.9' if text == '100.0' and share < 1 else text.removesuffix('.0')} %"


def _interval(row: dict[str, Any]) -> str:
    return f"{100 * row['low']:.1f}–{100 * row['high']:.1f} %"


def _plain(text: str) -> str:
    return text.replace("_", " ")


# What the screen shows of the table by fleet, of what its nights say of it, and night by night.
FLEETS_SHOWN = (
    "fleet", "homes", "faulty", "average_precision", "first_share", "found_share", "named_share", "leg_share",
    "ece", "sound_suspects_1000", "suspects_right_share",
)  # fmt: skip
COUNTS_SHOWN = (
    "fleet", "homes", "listed_1000", "true_rate", "rate", "rate_low", "rate_high", "installs_true", "installs_rate",
    "crews", "crews_held_share", "stand_out",
)  # fmt: skip
NIGHTS_SHOWN = (
    "nights", "faulty", "average_precision", "first_share", "found_share", "named_share", "leg_share",
    "order_named_share", "ece", "alarm_share",
)  # fmt: skip
