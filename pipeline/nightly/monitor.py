"""Alarms, notes and changes since the run before, from the night's tables before they are published."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.alarm import ALARM, NOTE, table
from pipeline.features.update_store import StoredDay
from pipeline.nightly.data_alarms import newest_day_alarms
from pipeline.nightly.night_inputs import NightInputs
from pipeline.nightly.rejects import by_reason
from pipeline.nightly.run_alarms import Tonight, list_up, no_rows, rejects_up, take_notes
from pipeline.nightly.run_diff import changed_counts, changed_homes, late, read_run_before
from pipeline.nightly.run_record import day_records, made_with


def watch(
    inputs: NightInputs,
    stored: list[StoredDay],
    tables: Mapping[str, pl.DataFrame],
    *,
    rejected: pl.DataFrame,
    counts: Mapping[str, int],
) -> tuple[dict[str, pl.DataFrame], dict[str, Any]]:
    """Return the tables alarm, change and site_pulse by name, and their record for run.json.

    Parameters
    ----------
    inputs, stored
        What the night works on, and the store's days.
    tables
        Those of the night so far: site_scores and standing.
    rejected
        `rejects.count_rejects`.
    counts
        `build_tables.count_rows`.
    """
    settings, before, days = inputs.settings, read_run_before(inputs.previous), day_records(inputs, stored)
    scores, standing = tables["site_scores"], tables["standing"]
    reasons, unread = _newest_rejected(rejected, inputs)
    tonight = Tonight(
        inputs.as_of, days, reasons, unread, standing, made_with(inputs), settings.ranking.least_nights,
        inputs.previous is None,
    )  # fmt: skip
    pulse = site_pulse(inputs, stored)
    change = changed_homes(before, scores, standing)
    verdicts = dict(scores.group_by("verdict").len().iter_rows())
    changed = changed_counts(before, change, counts, standing=standing, verdicts=verdicts)
    late_days = late(before, days)
    # a day that isn't there is not also reported home by home
    of_day = newest_day_alarms(pulse, inputs.as_of, settings.alarm) if tonight.used(inputs.as_of) else []
    since = [rejects_up(tonight, before, settings.alarm), list_up(tonight, before, settings.alarm)]
    notes = take_notes(tonight, before, changed, late_days=late_days, settings=settings.alarm)
    lines = table(line for line in (no_rows(tonight, before), *of_day, *since, *notes) if line)
    by_severity = {
        name: lines.filter(pl.col("severity") == severity).drop("severity").to_dicts()
        for name, severity in (("alarms", ALARM), ("notes", NOTE))
    }
    record = {"days": days, **by_severity, "changed": changed, "late": late_days}
    return {"alarm": lines, "change": change, "site_pulse": pulse}, record


def site_pulse(inputs: NightInputs, stored: list[StoredDay]) -> pl.DataFrame:
    """Return table site_pulse with the `area` of each home, homes of the register only."""
    first = inputs.as_of - timedelta(days=inputs.settings.alarm.compare_days)
    past = [day for day in stored if day.day <= inputs.as_of]
    # Where all these days are missing, the newest of the others serves for the table's columns.
    compared = [day for day in past if day.day >= first] or past[-1:]
    files = [sql_runner.as_named(path) for day in compared for path in day.paths(inputs.store, "site_day")]
    with inputs.connect() as con:
        pulse = sql_runner.query(con, "site_pulse", {"day_files": files, "as_of": inputs.as_of})
    return pulse.join(inputs.registers.sites.select("site_id", "area"), on="site_id", maintain_order="left")


def _newest_rejected(rejected: pl.DataFrame, inputs: NightInputs) -> tuple[pl.DataFrame, int]:
    """Return (reason, count) of the newest day's rejected rows, most first, and how many of its files are unread."""
    newest = rejected.filter(day=inputs.as_of)
    return by_reason(newest.filter("is_row")), int(newest.filter(~pl.col("is_row"))["count"].sum())
