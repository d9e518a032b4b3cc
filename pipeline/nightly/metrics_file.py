"""metrics.prom: a night's counts and seconds in the Prometheus text format, for whoever collects such files.

All are gauges, of the newest night. Units are base units and end the name; a label's values are codes of the tables,
never a name of a home or a crew. What the last step (publish) takes is not in it: that step publishes this file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import __version__
from pipeline.core.alarm import ALARM, NOTE
from pipeline.core.build_identity import source_digest
from pipeline.core.contract import VERDICTS
from pipeline.features.update_store import StoredDay
from pipeline.nightly.night_inputs import NightInputs, Tables
from pipeline.nightly.timed_steps import TimedSteps

NAME = "metrics.prom"
FIX_BYS = ("visit", "office")
MOST_REASONS = 20  # each value of a label is a series of its own to whoever collects them
OUTCOMES = ("used", "duplicate", "rejected")
# Of a metric its name without "nightclamp_", what it means, its label names, and label values -> value.
Metric = tuple[str, str, tuple[str, ...], Mapping[Any, float]]


def write_metrics(
    inputs: NightInputs, stored: list[StoredDay], tables: Tables, *, built: Path, steps: TimedSteps
) -> None:
    """Write metrics.prom into the run's folder.

    Parameters
    ----------
    inputs, stored, tables
        What the night works on, the store's days, and the night's tables.
    built
        The run's folder.
    steps
        The steps so far.
    """
    from prometheus_client import CollectorRegistry, generate_latest
    from prometheus_client.core import GaugeMetricFamily

    class Night:
        def collect(self) -> Iterator[Any]:
            for name, meaning, labels, values in night_metrics(inputs, stored, tables, steps=steps):
                family = GaugeMetricFamily(f"nightclamp_{name}", meaning, labels=labels)
                for label_values, value in values.items():
                    family.add_metric(label_values, value)
                yield family

    registry = CollectorRegistry()
    registry.register(Night())  # type: ignore[arg-type]
    (built / NAME).write_bytes(generate_latest(registry))


def night_metrics(
    inputs: NightInputs, stored: list[StoredDay], tables: Tables, *, steps: TimedSteps
) -> Iterator[Metric]:
    """Yield the metrics of a night in the file's order.

    Parameters
    ----------
    inputs, stored, tables
        What the night works on, the store's days, and the night's tables.
    steps
        The steps so far.
    """
    counts, published = tables.counts, tables.published
    data_end = datetime.combine(inputs.as_of + timedelta(days=1), time(), UTC)
    build = (__version__, source_digest(), inputs.model.model_id)
    yield "build_info", "Which build and model made the night.", ("version", "source", "model"), {build: 1}
    run = (steps.run_id, str(inputs.as_of))
    yield (
        "run_info",
        "The night: run_id of run.json and of the log, and its day.",
        ("run_id", "as_of"),
        {run: 1},
    )
    yield _one("run_start_timestamp_seconds", "When the night began.", steps.started_at.timestamp())
    yield _one("run_end_timestamp_seconds", "When all but publishing was done.", steps.now().timestamp())
    yield _one("run_duration_seconds", "From the beginning to just before publishing.", steps.elapsed_s())
    took = {(str(step),): seconds for step, seconds in steps.seconds.items()}
    yield "step_duration_seconds", "How long each step took.", ("step",), took
    end = "End of the newest day that was judged (midnight UTC): how old the data are."
    yield _one("data_end_timestamp_seconds", end, data_end.timestamp())
    yield _one("window_days", "Days that the night may use.", inputs.request.window_days)
    fresh = sum(day.is_fresh for day in stored)
    days = {
        ("read",): fresh,
        ("unchanged",): len(stored) - fresh,
        ("late",): len(tables.record["late"]["days"]),
    }
    yield "days", "Days read anew, as they were, and changed since the night before.", ("state",), days
    verdicts = dict(published["site_scores"].group_by("verdict").len().iter_rows())
    homes = {(verdict,): verdicts.get(verdict, 0) for verdict in VERDICTS}
    yield "homes", "Homes by verdict; their sum is every home.", ("verdict",), homes
    yield _one("homes_silent", "Homes without data in the window.", counts["homes_silent"])
    listed = dict(published["revisit_list"].group_by("fix_by").len().iter_rows())
    fixes = {(fix_by,): listed.get(fix_by, 0) for fix_by in FIX_BYS}
    yield "listed_homes", "Homes on the list by who puts them right.", ("fix_by",), fixes
    yield _one("open_safety_calls", "Safety calls that are open.", counts["safety_calls"])
    for kind, what in (("", "the intervals"), ("utility_", "the utility's files")):
        rows = {(outcome,): counts[f"{kind}rows_{outcome}"] for outcome in OUTCOMES}
        yield f"{kind}rows", f"Rows of {what}; their sum is every row that came in.", ("outcome",), rows
    why = "Rows and files of any kind that were not used, by what is wrong with them."
    yield "rejected_rows", why, ("reason",), reject_kinds(tables.rejected)
    alarm = tables.told  # with what hangs on the clock
    severities = {(name,): alarm.filter(pl.col("severity") == name).height for name in (ALARM, NOTE)}
    yield "alarms", "Alarms and notes beside the list.", ("severity",), severities
    raised = {(severity, code): n for severity, code, n in _by_code(alarm).iter_rows()}
    codes = "Alarms and notes by code; a code that was not raised is absent."
    yield "alarms_raised", codes, ("severity", "code"), raised


def reject_kinds(rejected: pl.DataFrame) -> dict[tuple[str, ...], float]:
    """Return (kind,) -> rows of (reason, count): the part before what a row held, the rarest under "other"."""
    kinds: dict[str, int] = {}
    for reason, count in rejected.iter_rows():
        kind = (reason or "").partition(":")[0]
        kinds[kind] = kinds.get(kind, 0) + count
    ranked = sorted(kinds.items(), key=lambda item: (-item[1], item[0]))
    others = sum(count for _, count in ranked[MOST_REASONS:])
    return {
        (kind,): count for kind, count in (*ranked[:MOST_REASONS], *([("other", others)] if others else []))
    }


def _one(name: str, meaning: str, value: float) -> Metric:
    return name, meaning, (), {(): value}


def _by_code(alarm: pl.DataFrame) -> pl.DataFrame:
    return alarm.group_by("severity", "code").len().sort("severity", "code")
