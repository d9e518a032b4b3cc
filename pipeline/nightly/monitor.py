"""Looks at the night before it is published: what changed since the run before, what is late, what is an alarm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.alarm import ALARM, NOTE, Alarm, table
from pipeline.core.setting_sections import AlarmSettings
from pipeline.core.settings import Settings
from pipeline.features.update_store import StoredDay
from pipeline.nightly.data_alarms import newest_day_alarms
from pipeline.nightly.night_inputs import NightInputs
from pipeline.nightly.rejects import by_reason
from pipeline.nightly.run_alarms import Tonight, list_up, no_rows, rejects_up, take_notes
from pipeline.nightly.run_diff import RunBefore, changed_counts, changed_homes, late, read_run_before
from pipeline.nightly.run_record import day_records, made_with


@dataclass(frozen=True)
class Lookout:
    """The tables alarm, change and site_pulse, and what run.json says of them."""

    tables: Mapping[str, pl.DataFrame]
    told: Mapping[str, Any]


def look_out(
    inputs: NightInputs,
    stored: list[StoredDay],
    tables: Mapping[str, pl.DataFrame],
    rejected: pl.DataFrame,
    counts: Mapping[str, int],
    settings: Settings,
) -> Lookout:
    """Hold the night's `tables`, `rejected` (of `rejects.count_rejects`) and `counts` against days and run before."""
    before, days = read_run_before(inputs.previous), day_records(inputs, stored)
    scores, standing = tables["site_scores"], tables["standing"]
    reasons, unread = _newest_rejected(rejected, inputs)
    tonight = Tonight(
        inputs.as_of, days, reasons, unread, standing, made_with(inputs, settings), settings.ranking.least_nights,
        inputs.previous is None,
    )  # fmt: skip
    pulse = site_pulse(inputs, stored, settings)
    change = changed_homes(before, scores, standing)
    verdicts = dict(scores.group_by("verdict").len().iter_rows())
    changed, came_late = changed_counts(before, change, counts, standing, verdicts), late(before, days)
    found = raise_alarms(tonight, pulse, before, settings.alarm)
    lines = table([*found, *take_notes(tonight, before, changed, came_late, settings.alarm)])
    return Lookout(
        {"alarm": lines, "change": change, "site_pulse": pulse},
        {
            "days": days,
            "alarms": _of(lines, ALARM),
            "notes": _of(lines, NOTE),
            "changed": changed,
            "late": came_late,
        },
    )


def raise_alarms(
    tonight: Tonight, pulse: pl.DataFrame, before: RunBefore | None, settings: AlarmSettings
) -> list[Alarm]:
    """Return tonight's alarms, at most one of each code; a day that isn't there is not also told home by home."""
    found = [no_rows(tonight, before)]
    if tonight.used(tonight.as_of):
        found += newest_day_alarms(pulse, tonight.as_of, settings)
    found += [rejects_up(tonight, before, settings), list_up(tonight, before, settings)]
    return [one for one in found if one]


def site_pulse(inputs: NightInputs, stored: list[StoredDay], settings: Settings) -> pl.DataFrame:
    """Return table site_pulse with the `area` of each home, homes of the register only."""
    first = inputs.as_of - timedelta(days=settings.alarm.compare_days)
    held = [day for day in stored if day.day <= inputs.as_of]
    # Where all these days are missing, the day itself is too, and the newest of the others is as good as none.
    compared = [day for day in held if day.day >= first] or held[-1:]
    files = [sql_runner.as_named(path) for day in compared for path in day.paths(inputs.store, "site_day")]
    con = sql_runner.connect(inputs.workdir, settings.engine)
    try:
        heard = sql_runner.query(con, "site_pulse", {"day_files": files, "as_of": inputs.as_of})
    finally:
        con.close()
    return heard.join(inputs.registers.sites.select("site_id", "area"), on="site_id", maintain_order="left")


def _newest_rejected(rejected: pl.DataFrame, inputs: NightInputs) -> tuple[pl.DataFrame, int]:
    """Return (reason, count) of the newest day's rejected rows, most first, and how many of its files are unread."""
    newest = rejected.filter(pl.col("source_file").str.starts_with(f"intervals/date={inputs.as_of}/"))
    return by_reason(newest.filter("is_row")), int(newest.filter(~pl.col("is_row"))["count"].sum())


def _of(lines: pl.DataFrame, severity: str) -> list[dict[str, Any]]:
    return lines.filter(pl.col("severity") == severity).drop("severity").to_dicts()
