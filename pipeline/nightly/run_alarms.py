"""What tonight says against the run before: alarms for what jumped, notes for what is good to know."""

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
    """What is looked at.

    `days` is the record of each UTC day as in run.json; `reasons` (reason, count) why rows of the newest day were
    rejected, most first, `unread` how many of its files can't be read; `standing` the table; `made` model, versions and
    settings as in run.json; `known_nights` the nights a home needs before it counts as known; `is_first`: there
    is no run before at all.
    """

    as_of: date
    days: Mapping[str, Mapping[str, Any]]
    reasons: pl.DataFrame
    unread: int
    standing: pl.DataFrame
    made: Mapping[str, Any]
    known_nights: int
    is_first: bool

    def used(self, day: date) -> int:
        """Return the usable rows of a day."""
        return int(self.days.get(str(day), {}).get("used", 0))


def no_rows(tonight: Tonight, before: RunBefore | None) -> Alarm | None:
    """Whole days without a usable row: the newest, and those since the run before."""
    first = before.as_of + timedelta(days=1) if before else tonight.as_of
    span = [first + timedelta(days=at) for at in range((tonight.as_of - first).days + 1)]
    missing = [str(day) for day in span if not tonight.used(day)]
    if not missing:
        return None
    came = sum(int(tonight.days.get(day, {}).get("rows_in", 0)) for day in missing)
    why = f"; {count_of(came, 'row')} came, all rejected" if came else ""
    return alarm(
        "no_rows",
        f"no usable row at all for {_named(missing)}{why}",
        f"{'rejects.parquet; ' if came else ''}intervals/date={missing[-1]}/ of the lake",
    )


def rejects_up(tonight: Tonight, before: RunBefore | None, settings: AlarmSettings) -> Alarm | None:
    """A share of the newest day's rows rejected that the days of the run before did not have."""
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


def list_up(tonight: Tonight, before: RunBefore | None, settings: AlarmSettings) -> Alarm | None:
    """A list that grew at once, by homes known for long enough: growth by new installs is none."""
    counts = _known_listed(tonight, before)
    if counts is None or before is None:
        return None
    was, now = counts
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
    late: Mapping[str, Any],
    settings: AlarmSettings,
) -> list[Alarm]:
    """Return what is good to know; `changed` and `late` are those of run.json."""
    found = []
    if before is None or changed is None:
        missing = [str(day) for day in _gaps(tonight)]
        if missing:
            found.append(note("days_missing", f"no usable row for {_named(missing)}", "the lake"))
        if not tonight.is_first:
            found.append(
                note("no_comparison", "the run before can't be compared with", "its run.json and tables")
            )
    else:
        found += _since(tonight, before, changed, settings)
    grown = [day for day, by in late["days"].items() if by["rows_in"] or by["used"]]
    if grown:
        found.append(
            note(
                "late",
                f"other rows than in the run before for {_named(grown)}: {late['rows_in']:+,} in,"
                f" {late['rows_used']:+,} used",
                "run.json (late)",
            )
        )
    if late["gone"]:
        found.append(note("days_gone", f"no longer in the lake: {_named(late['gone'])}", "run.json (late)"))
    if tonight.unread:
        found.append(
            note(
                "unread",
                f"{count_of(tonight.unread, 'file')} of {tonight.as_of} can't be read",
                "rejects.parquet",
            )
        )
    return found


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
    found = [note("changed", f"since the night of {before.as_of}: {', '.join(parts)}", _CHANGE)]
    if (days := (tonight.as_of - before.as_of).days) > 1:
        found.append(
            note("nights_apart", f"the run before is of {before.as_of}, {days} nights ago", "the schedule")
        )
    counts = _known_listed(tonight, before)
    if counts and counts[0] >= settings.list_factor * counts[1] and counts[0] - counts[1] >= settings.list_homes:
        found.append(
            note("list_down", f"the list has shrunk from {counts[0]:,} to {counts[1]:,} homes", _CHANGE)
        )
    made = {name: (before.run.get(name), value) for name, value in tonight.made.items()}
    if made["model_id"][0] != made["model_id"][1]:
        told = f"another model than on {before.as_of}: {made['model_id'][0]} then, {made['model_id'][1]} now"
        found.append(note("model", f"{told}; likelihoods may have moved with it", "run.json (model)"))
    versions = [(value or {}).get("nightclamp") for value in made["versions"]]
    if versions[0] != versions[1]:
        found.append(
            note("version", f"nightclamp {versions[0]} then, {versions[1]} now", "run.json (versions)")
        )
    turned = [
        name
        for name, section in made["settings"][1].items()
        if (made["settings"][0] or {}).get(name) != section
    ]
    if turned:
        found.append(note("settings", f"settings turned since: {', '.join(turned)}", "run.json (settings)"))
    return found


def _known_listed(tonight: Tonight, before: RunBefore | None) -> tuple[int, int] | None:
    """Return how many homes that were known at the run before were listed then, and are now."""
    if before is None:
        return None
    known = before.scores.filter(pl.col("nights") >= tonight.known_nights).select("site_id")
    lists = (before.is_listed(), tonight.standing.filter("is_listed"))
    was, now = (listed.join(known, on="site_id", how="semi").height for listed in lists)
    return was, now


def _gaps(tonight: Tonight) -> list[date]:
    """Return the days without a usable row between the oldest and the newest day."""
    oldest = min((date.fromisoformat(day) for day in tonight.days), default=tonight.as_of)
    span = (oldest + timedelta(days=at) for at in range((tonight.as_of - oldest).days))
    return [day for day in span if not tonight.used(day)]


def _rejected_share(day: Mapping[str, Any]) -> float:
    return float(day["rejected"] / max(day["rows_in"], 1))


def _named(days: list[str]) -> str:
    more = len(days) - MOST_NAMED
    return ", ".join(days[-MOST_NAMED:]) + (f" and {count_of(more, 'day')} more" if more > 0 else "")
