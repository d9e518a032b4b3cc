"""Tonight against the run before: alarms for what jumped, notes for what is good to know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median_high
from typing import Any

import polars as pl

from pipeline.core.alarm import MOST_NAMED, Alarm, alarm, count_of, note
from pipeline.core.setting_sections import AlarmSettings
from pipeline.nightly.run_diff import RunBefore

_CHANGE = "change.parquet"


@dataclass(frozen=True)
class Tonight:
    """Tonight's numbers.

    `days` is the record of each UTC day as in run.json; `reasons` (reason, count) why rows of the newest day were
    rejected, most first, `unread` how many of its files can't be read; `standing` the table; `made_with` model,
    versions and settings as in run.json; `known_nights` the nights a home needs before it counts as known; `is_first`:
    there is no run before at all.
    """

    as_of: date
    days: Mapping[str, Mapping[str, Any]]
    reasons: pl.DataFrame
    unread: int
    standing: pl.DataFrame
    made_with: Mapping[str, Any]
    known_nights: int
    is_first: bool

    def used(self, day: date) -> int:
        """Return the usable rows of a day."""
        return int(self.days.get(str(day), {}).get("used", 0))


def no_rows(tonight: Tonight, before: RunBefore | None) -> Alarm | None:
    """Return that the newest day, or one since the run before, has no usable row."""
    missing = _empty_days(tonight, before.as_of + timedelta(days=1) if before else tonight.as_of)
    if not missing:
        return None
    rows = sum(int(tonight.days.get(day, {}).get("rows_in", 0)) for day in missing)
    why = f"; {count_of(rows, 'row')} came, all rejected" if rows else ""
    return alarm(
        "no_rows",
        f"no usable row at all for {_named(missing)}{why}",
        f"{'rejects.parquet; ' if rows else ''}intervals/date={missing[-1]}/ of the lake",
    )


def rejects_up(tonight: Tonight, before: RunBefore | None, settings: AlarmSettings) -> Alarm | None:
    """Return that a share of the newest day's rows is rejected that the days of the run before did not have."""
    now = tonight.days.get(str(tonight.as_of))
    if before is None or now is None or now["rows_in"] < settings.rejects_least_rows or not now["used"]:
        return None
    shares = [_rejected_share(day) for day in before.run.get("days", {}).values() if day["rows_in"]]
    usual, share = median_high(shares) if shares else 0.0, _rejected_share(now)
    if share - usual < settings.rejects_rise:
        return None
    reason, rows = tonight.reasons.row(0)
    return alarm(
        "rejects_up",
        f"{now['rejected']:,} of {count_of(now['rows_in'], 'row')} of {tonight.as_of} rejected ({share:.0%}; usually"
        f" {usual:.1%}), most ({rows:,}) for: {reason}",
        "rejects.parquet (reason, source_file)",
    )


def days_gone(late_days: Mapping[str, Any]) -> Alarm | None:
    """Return that days which the run before had are missing in the midst of the lake; `late_days` as in run.json."""
    gone = late_days["gone"]
    if not gone:
        return None
    return alarm(
        "days_gone",
        f"{count_of(len(gone), 'day')} that the run before had {'is' if len(gone) == 1 else 'are'} no longer in the"
        f" lake: {_named(gone)}",
        f"intervals/date={gone[-1]}/ of the lake; run.json (late)",
    )


def list_up(tonight: Tonight, before: RunBefore | None, settings: AlarmSettings) -> Alarm | None:
    """Return that the list grew at once, by homes known for long enough: growth by new installs is none."""
    if before is None:
        return None
    was, now = _known_listed(tonight, before)
    if now < settings.list_factor * was or now - was < settings.list_homes:
        return None
    return alarm(
        "list_up",
        f"the list has grown from {was:,} to {count_of(now, 'home')} since the night of {before.as_of}"
        " (homes of the first nights aside)",
        f"{_CHANGE} (newly listed), and what their evidence has in common",
    )


def take_notes(
    tonight: Tonight,
    before: RunBefore | None,
    changed: Mapping[str, Any] | None,
    *,
    late_days: Mapping[str, Any],
    settings: AlarmSettings,
) -> list[Alarm]:
    """Return what is good to know.

    Parameters
    ----------
    tonight, before
        What is compared; None: there is no run before, or it can't be compared with.
    changed, late_days
        `changed` and `late` of run.json.
    settings
        Section [alarm].
    """
    notes = []
    if before is None or changed is None:
        # A lake of local days reaches into a day before its first row.
        with_rows = [date.fromisoformat(day) for day, counts in tonight.days.items() if counts["rows_in"]]
        oldest = min(with_rows, default=tonight.as_of)
        if missing := _empty_days(tonight, oldest, is_newest_in=False):
            notes.append(note("days_missing", f"no usable row for {_named(missing)}", "the lake"))
        if not tonight.is_first:
            why = "the run before can't be compared with"
            notes.append(note("no_comparison", why, "its run.json and tables"))
    else:
        notes += _since(tonight, before, changed, settings)
    if grown := [day for day, by in late_days["days"].items() if by["rows_in"] or by["used"]]:
        rows = f"{late_days['rows_in']:+,} in, {late_days['rows_used']:+,} used"
        sentence = f"other rows than in the run before for {_named(grown)}: {rows}"
        notes.append(note("late", sentence, "run.json (late)"))
    if retired := late_days["retired"]:
        sentence = (
            f"the lake keeps less than it did: it begins on {min(tonight.days)}, and {count_of(len(retired), 'day')}"
            f" that the run before had {'is' if len(retired) == 1 else 'are'} gone, {retired[0]} to {retired[-1]};"
            " a fault's beginning that was found stays"
        )
        notes.append(note("retention", sentence, "run.json (late), intervals/ of the lake"))
    if tonight.unread:
        sentence = f"{count_of(tonight.unread, 'file')} of {tonight.as_of} can't be read"
        notes.append(note("unread", sentence, "rejects.parquet"))
    return notes


def _since(
    tonight: Tonight, before: RunBefore, changed: Mapping[str, Any], settings: AlarmSettings
) -> list[Alarm]:
    was, now = changed["before_and_now"]["listed"]
    parts = [
        f"{changed['newly_listed']:,} newly listed",
        f"{changed['off_the_list']:,} off the list",
        f"{count_of(changed['verdict'], 'verdict')} changed",
        f"{was:,} listed then, {now:,} now",
    ]
    if changed["home_joined"] or changed["home_gone"]:
        parts.append(f"{changed['home_joined']:,} homes joined, {changed['home_gone']:,} gone")
    notes = [note("changed", f"since the night of {before.as_of}: {', '.join(parts)}", _CHANGE)]
    if (days := (tonight.as_of - before.as_of).days) > 1:
        sentence = f"the run before is of {before.as_of}, {days} nights ago"
        notes.append(note("nights_apart", sentence, "the schedule"))
    was, now = _known_listed(tonight, before)
    if was >= settings.list_factor * now and was - now >= settings.list_homes:
        notes.append(note("list_down", f"the list has shrunk from {was:,} to {now:,} homes", _CHANGE))
    then, current = before.run, tonight.made_with
    if then.get("model_id") != current["model_id"]:
        models = (
            f"another model than on {before.as_of}: {then.get('model_id')} then, {current['model_id']} now"
        )
        notes.append(note("model", f"{models}; likelihoods may have moved with it", "run.json (model)"))
    versions = [(run.get("versions") or {}).get("nightclamp") for run in (then, current)]
    if versions[0] != versions[1]:
        sentence = f"nightclamp {versions[0]} then, {versions[1]} now"
        notes.append(note("version", sentence, "run.json (versions)"))
    sections = then.get("settings") or {}
    if turned := [name for name, section in current["settings"].items() if sections.get(name) != section]:
        notes.append(note("settings", f"settings turned since: {', '.join(turned)}", "run.json (settings)"))
    return notes


def _known_listed(tonight: Tonight, before: RunBefore) -> tuple[int, int]:
    """Return how many homes that were known at the run before were listed then, and are now."""
    known = before.scores.filter(pl.col("nights") >= tonight.known_nights).select("site_id")
    lists = (before.is_listed(), tonight.standing.filter("is_listed"))
    was, now = (listed.join(known, on="site_id", how="semi").height for listed in lists)
    return was, now


def _empty_days(tonight: Tonight, first: date, *, is_newest_in: bool = True) -> list[str]:
    """Return the days without a usable row from the first to the newest day."""
    count = (tonight.as_of - first).days + is_newest_in
    days = (first + timedelta(days=number) for number in range(count))
    return [str(day) for day in days if not tonight.used(day)]


def _rejected_share(day: Mapping[str, Any]) -> float:
    return float(day["rejected"] / max(day["rows_in"], 1))


def _named(days: list[str]) -> str:
    more = len(days) - MOST_NAMED
    return ", ".join(days[-MOST_NAMED:]) + (f" and {count_of(more, 'day')} more" if more > 0 else "")
