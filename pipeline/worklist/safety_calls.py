"""Safety calls from one night to the next: homes with a suspected loose service neutral, and what became of each.

The voltages of such a home's lines move apart with load. That is no CT fault and no visit of the list: the utility or a
licensed electrician is called at once. A call ends only when a repair is recorded (register safety_calls) and enough
nights of data since agree; data that merely stop, or show it no longer, end nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from pipeline.core.line_columns import PAIRS
from pipeline.core.setting_sections import VerdictSettings
from pipeline.worklist.safety_call_text import (
    CALL_NOW,
    CALLED,
    CLEARED,
    OPEN,
    REPAIRED,
    limit_of,
    measured_text,
    status_text,
)

# What is measured of a pair of lines, first line and second, and the column of site_signal it is.
_OF_PAIR = {
    "v_per_kw_l1": "sag_l1", "v_per_kw_l1_se": "sag_l1_se", "v_per_kw_l2": "sag_l2", "v_per_kw_l2_se": "sag_l2_se",
}  # fmt: skip
_SIGNALS = {f"{name}{pair}": f"{column}{pair}" for pair in PAIRS for name, column in _OF_PAIR.items()}
_SCORES = {
    "v_per_kw": "neutral_v_per_kw", "v_per_kw_se": "neutral_v_per_kw_se", "limit_v_per_kw": "neutral_limit_v_per_kw",
}  # fmt: skip
# since: the night that told it first; shown_on: the last night that did, of which v_per_kw... and measured are;
# v_per_kw: for each kW that flows, from limit_v_per_kw on a loose neutral is suspected; v_per_kw_l1, _l2: V1 - V2 for
# each kW read;
# with _23 and _31 at their end the same of V2 - V3 and V3 - V1 of a home with three lines.
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "area": pl.String, "as_of": pl.Date, "status": pl.String, "is_open": pl.Boolean,
        "since": pl.Date, "nights_open": pl.Int64, "called_on": pl.Date, "repaired_on": pl.Date,
        "cleared_on": pl.Date, "told": pl.String, "is_shown": pl.Boolean, "shown_on": pl.Date,
        "measured": pl.String, "v_per_kw": pl.Float64, "v_per_kw_se": pl.Float64,
        "v_per_kw_l1": pl.Float64, "v_per_kw_l1_se": pl.Float64,
        "v_per_kw_l2": pl.Float64, "v_per_kw_l2_se": pl.Float64, "nights": pl.Int64, "data_from": pl.Date,
        **{name: pl.Float64 for name in _SIGNALS if name not in _OF_PAIR}, "limit_v_per_kw": pl.Float64,
    }
)  # fmt: skip
_SHOWN = SCHEMA.names()[SCHEMA.names().index("shown_on") :]  # kept from the last night that showed it


@dataclass(frozen=True)
class Tonight:
    """What tonight's data say of a home: rows of site_scores and site_signal; both empty for a home of no register."""

    as_of: date
    seen: dict[str, Any]
    settings: VerdictSettings

    @property
    def is_shown(self) -> bool:
        """The voltages move apart with load."""
        return bool(self.seen.get("is_neutral_suspect"))

    def speaks_since(self, day: date) -> bool:
        """Whether only data after `day` are behind what is said."""
        from_on = self.seen.get("data_from")
        return from_on is not None and from_on > day

    @property
    def most_v_per_kw(self) -> float | None:
        """The most that the movement may be [V/kW], [verdict] neutral_clear_z standard errors up; None: unmeasured."""
        size, error = self.seen.get("v_per_kw"), self.seen.get("v_per_kw_se")
        if size is None or error is None:
            return None
        return float(size + self.settings.neutral_clear_z * error)

    @property
    def agrees(self) -> bool:
        """Enough nights are there, and none of what they leave open reaches a loose neutral."""
        most, enough = self.most_v_per_kw, self.seen.get("nights") or 0
        return (
            not self.is_shown
            and enough >= self.settings.neutral_clear_nights
            and most is not None
            and most < limit_of(self.seen, self.settings)
        )


def next_safety_calls(
    previous: pl.DataFrame | None,
    register: pl.DataFrame,
    scores: pl.DataFrame,
    *,
    signals: pl.DataFrame,
    as_of: date,
    settings: VerdictSettings,
) -> pl.DataFrame:
    """Return table safety_call (SCHEMA) after the night `as_of`: open calls, the most urgent first, then closed ones.

    Parameters
    ----------
    previous
        The table of an earlier night; None on the first.
    register
        The register safety_calls; of a home's rows the newest since its last call was closed counts. One that names no
        repair opens a call even where the data show nothing.
    scores
        `site_scores`: site_id, area, is_neutral_suspect, neutral_v_per_kw with its standard error and
        neutral_limit_v_per_kw, from_on, nights.
    signals
        Table site_signal over each home's span, which begins after a repair: sag_l1, sag_l2 with their standard errors
        [V/kW], and those of the other pairs of lines on a night that has any home with three.
    as_of, settings
        The night, and section [verdict].
    """
    before = {row["site_id"]: row for row in _known(previous).iter_rows(named=True)}
    calls = _newest_calls(register, before, as_of)
    is_open = [site for site, row in before.items() if row["is_open"]]
    shown = scores.filter(pl.col("is_neutral_suspect").fill_null(False))["site_id"].to_list()
    recorded = [site for site, call in calls.items() if call["repaired_on"] is None]
    homes = sorted({*before, *shown, *recorded})
    tonight = _seen(scores, signals, homes)
    rows = []
    for site in homes:
        night = Tonight(as_of, tonight.get(site, {}), settings)
        if site in before and site not in {*is_open, *shown, *recorded}:
            rows.append(before[site] | {"as_of": as_of})  # closed, and still so
        else:
            rows.append(_next_call(site, night, before.get(site, {}), calls.get(site, {})))
    order = pl.col("status").replace_strict(
        {status: place for place, status in enumerate((*OPEN, CLEARED))}, return_dtype=pl.Int64
    )
    return pl.DataFrame(rows, schema=SCHEMA, orient="row").sort(order, "since", "site_id")


def _known(previous: pl.DataFrame | None) -> pl.DataFrame:
    known = pl.DataFrame(schema=SCHEMA)
    return (
        known
        if previous is None
        else pl.concat([known, previous], how="diagonal_relaxed").select(SCHEMA.names())
    )


def _newest_calls(
    register: pl.DataFrame, before: dict[str, dict[str, Any]], as_of: date
) -> dict[str, dict[str, Any]]:
    """Return each home's newest row of the register that is not of a call closed before."""

    def is_new(row: dict[str, Any]) -> bool:
        cleared_on = before.get(row["site_id"], {}).get("cleared_on")
        return cleared_on is None or row["called_on"] > cleared_on

    rows = register.filter(pl.col("called_on") <= as_of).sort("called_on", "repaired_on", nulls_last=False)
    return {row["site_id"]: row for row in rows.iter_rows(named=True) if is_new(row)}


def _seen(scores: pl.DataFrame, signals: pl.DataFrame, homes: list[str]) -> dict[str, dict[str, Any]]:
    """Return what tonight's tables say of these homes."""
    of_homes = scores.filter(pl.col("site_id").is_in(homes)).select(
        "site_id",
        "area",
        "is_neutral_suspect",
        "nights",
        data_from="from_on",
        **{name: pl.col(column) for name, column in _SCORES.items() if column in scores.columns},
    )
    known = {name: pl.col(column) for name, column in _SIGNALS.items() if column in signals.columns}
    volts = signals.select("site_id", **known)
    seen = of_homes.join(volts, on="site_id", how="left")
    return {row["site_id"]: row for row in seen.iter_rows(named=True)}


def _next_call(site: str, night: Tonight, before: dict[str, Any], call: dict[str, Any]) -> dict[str, Any]:
    """Return the home's row tonight; `before` is its row of the night before, `call` its row of the register."""
    was_open = bool(before.get("is_open"))
    since = before["since"] if was_open else night.as_of
    status = _status(night, call, before if was_open else {})
    values: dict[str, Any] = {
        "site_id": site,
        "area": night.seen.get("area", before.get("area")),
        "as_of": night.as_of,
        "status": status,
        "is_open": status in OPEN,
        "since": since,
        "nights_open": (night.as_of - since).days + 1,
        "called_on": call.get("called_on"),
        "repaired_on": call.get("repaired_on"),
        "cleared_on": None if status in OPEN else night.as_of,
        "is_shown": night.is_shown,
        **dict(_shown(night, before if was_open else {})),
    }
    facts = {"cleared_before": None if was_open else before.get("cleared_on")}
    return values | {"told": status_text(values | facts, night.seen, night.settings)}


def _status(night: Tonight, call: dict[str, Any], before: dict[str, Any]) -> str:
    repaired_on = call.get("repaired_on")
    if repaired_on is None:
        return CALLED if call else CALL_NOW
    if before.get("status") == CALL_NOW and before.get("repaired_on") == repaired_on:
        return (
            CALL_NOW  # the data since it have shown that it didn't work: nothing they do later makes it good
        )
    if not night.speaks_since(repaired_on):
        return REPAIRED
    if night.is_shown:
        return CALL_NOW
    return CLEARED if night.agrees else REPAIRED


def _shown(night: Tonight, before: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """Yield what the last night that showed it measured: tonight, or as it was."""
    if not night.is_shown:
        yield from ((name, before.get(name)) for name in _SHOWN)
        return
    seen = {name: night.seen.get(name) for name in (*_SIGNALS, *_SCORES, "nights", "data_from")}
    yield from seen.items()
    yield "shown_on", night.as_of
    yield "measured", measured_text(seen, night.as_of, night.settings)
