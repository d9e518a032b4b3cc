"""Alarms of what no lake should lose, from the first night on: they need no run before and no usual day."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from statistics import median
from typing import Any

import polars as pl

from pipeline.core.alarm import Alarm, alarm, count_of
from pipeline.core.percent_text import percent
from pipeline.core.setting_sections import AlarmSettings
from pipeline.features.hour_files import scan_hours
from pipeline.nightly.rejects import by_reason

DAY_MIN = 1440
_DAY = r"^intervals/date=([^/]+)/"  # of a reject's source_file
_FEWEST_HOMES = 2  # one home is never the fleet: what is wrong with it stands on its own page
OUTSIDE_DAY = "interval_start lies outside its partition's UTC day"  # as interval_checked.sql says it
_LOCAL_DAYS = (
    "the files look cut by local days, not by UTC days, or their rows labelled by the end of the interval: set"
    ' partitions = "local day" or labelled = "end" under [intervals] of lake.toml'
)  # fmt: skip


@dataclass(frozen=True)
class Rejected:
    """Rows of some days: `rows`, of which `rejected`, and the days."""

    rows: int
    rejected: int
    days: Sequence[str]

    @property
    def share(self) -> float:
        """The share of rows rejected."""
        return self.rejected / max(self.rows, 1)


def rejected_rows(days: Mapping[str, Mapping[str, Any]], up_to: date) -> Rejected:
    """Return the rows of all days up to one, of `days` as in run.json; that one, too, if any of its rows is used."""
    past = {
        day: record
        for day, record in days.items()
        if day < str(up_to) or (day == str(up_to) and record["used"])
    }
    rows, rejected = (sum(record[name] for record in past.values()) for name in ("rows_in", "rejected"))
    return Rejected(rows, rejected, sorted(past))


def rejects_high(
    days: Mapping[str, Mapping[str, Any]],
    rejected: pl.DataFrame,
    as_of: date,
    *,
    is_first: bool,
    settings: AlarmSettings,
) -> Alarm | None:
    """Return that too large a share of the rows is rejected: of the newest day, or of the days of the window.

    The window's share is that of its day in the middle, so that a few bad days are not told until they have left it;
    on a first night, which has told none of them, that of all its rows.

    Parameters
    ----------
    days
        The record of each UTC day as in run.json.
    rejected
        `rejects.count_rejects`.
    as_of
        The newest day.
    is_first
        Whether there is no run before that could have told of them.
    settings
        Section [alarm].
    """
    window, newest = rejected_rows(days, as_of), days.get(str(as_of))
    enough, floor = settings.rejects_floor_rows, settings.rejects_floor
    shares = [days[day]["rejected"] / days[day]["rows_in"] for day in window.days if days[day]["rows_in"]]
    of_window = rejected.filter("is_row", _in_days(window.days))
    is_local = _is_cut_otherwise(of_window, window, settings)
    is_high = (is_first and window.share >= floor) or bool(shares and median(shares) >= floor)
    if window.rows >= enough and (is_local or is_high):
        hint = f"; {_LOCAL_DAYS}" if is_local else ""
        return _too_many(window, of_window, f"of {_count(window.days)} up to {as_of}", hint)
    # a day without a usable row has an alarm of its own
    if newest is None or not newest["used"] or newest["rows_in"] < enough:
        return None
    day = Rejected(newest["rows_in"], newest["rejected"], [str(as_of)])
    is_high = day.share >= floor
    return (
        _too_many(day, rejected.filter("is_row", _in_days([str(as_of)])), f"of {as_of}") if is_high else None
    )


def coverage_low(
    pulse: pl.DataFrame,
    *,
    rejected_share: float,
    hour_files: Callable[[], tuple[date, list[Path]]],
    settings: AlarmSettings,
) -> Alarm | None:
    """Return that many homes usually have rows for a part of the day only.

    Parameters
    ----------
    pulse
        Table site_pulse.
    rejected_share
        The share of the window's rows that an alarm says is rejected: what is missing by that is not told again.
    hour_files
        Gives a day and its files of site_hour, which are only read where there is an alarm.
    settings
        Section [alarm].
    """
    usual = pulse.select("site_id", usual_min=pl.coalesce("covered_before_min", "covered_min")).drop_nulls()
    low = usual.filter(pl.col("usual_min") < settings.coverage_floor * DAY_MIN * (1 - rejected_share))
    if usual.height < settings.area_least_homes or low.height < settings.coverage_homes_share * usual.height:
        return None
    if low.height < _FEWEST_HOMES:
        return None
    covered_min = low.select(pl.col("usual_min").median()).item()
    day, files = hour_files()
    return alarm(
        "coverage_low",
        f"{low.height:,} of {count_of(usual.height, 'home')} ({percent(low.height / usual.height)}) usually have rows"
        f" for less than {percent(settings.coverage_floor)} of the day, {covered_min:,.0f} of {DAY_MIN:,} min in the"
        f" middle{missing_hours(files, low['site_id'], day)}",
        "site_pulse.parquet (covered_before_min); who sends the data, and the zone and partitions of lake.toml",
    )


def missing_hours(files: list[Path], homes: pl.Series, day: date) -> str:
    """Return in which UTC hours of a day most of these homes have no row, as the end of a sentence; "" for none.

    Parameters
    ----------
    files
        Files of site_hour of that day.
    homes
        site_id.
    day
        The day.
    """
    if not files:
        return ""
    rows = scan_hours(files).select("site_id", "hour_start")
    heard = rows.filter(pl.col("site_id").is_in(homes.implode())).collect()
    count = heard["site_id"].n_unique()
    by_hour = dict(heard.group_by(pl.col("hour_start").dt.hour()).len().iter_rows())
    missing = [hour for hour in range(24) if 2 * by_hour.get(hour, 0) < count]
    begins = [hour for hour in missing if (hour - 1) % 24 not in missing]
    if not begins:
        return ""
    spans = [
        f"{begin:02}:00 to {next(h for h in range(begin + 1, begin + 25) if h % 24 not in missing) % 24:02}:00"
        for begin in begins
    ]
    return f"; on {day} most of them have none from {' and '.join(spans)} UTC"


def _too_many(counted: Rejected, rejected: pl.DataFrame, of_what: str, hint: str = "") -> Alarm:
    reason, rows = by_reason(rejected).row(0)
    return alarm(
        "rejects_high",
        f"{counted.rejected:,} of {count_of(counted.rows, 'row')} {of_what} rejected ({percent(counted.share)}), most"
        f" ({rows:,}) for: {reason}{hint}",
        "rejects.parquet (reason, source_file); `nightclamp check LAKE`",
    )


def _is_cut_otherwise(rejected: pl.DataFrame, window: Rejected, settings: AlarmSettings) -> bool:
    """Return whether the files of most days hold so many rows of another day that they are cut by other days."""
    outside = rejected.filter(pl.col("reason") == OUTSIDE_DAY)
    days = outside["source_file"].str.extract(_DAY).n_unique()
    return 2 * days > len(window.days) and outside["count"].sum() >= settings.outside_day_floor * window.rows


def _in_days(days: Sequence[str]) -> pl.Expr:
    return pl.col("source_file").str.extract(_DAY).is_in(list(days))


def _count(days: Sequence[str]) -> str:
    return "the day" if len(days) == 1 else f"the {len(days):,} days"
