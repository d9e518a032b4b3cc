"""What a run says about itself: run.json."""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping
from datetime import date, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import __version__
from pipeline.core.settings import Settings
from pipeline.features.update_store import StoredDay
from pipeline.nightly.night_inputs import NightInputs

VERSIONS = ("polars", "duckdb", "pyarrow", "scikit-learn", "numpy")


def day_records(inputs: NightInputs, stored: list[StoredDay]) -> dict[str, dict[str, Any]]:
    """Return what came in for each day, by day: rows, files, and a digest that changes when the files do."""
    return {
        str(day.day): {
            "rows_in": day.counts.rows_in,
            "used": day.counts.used,
            "duplicate": day.counts.duplicate,
            "rejected": day.counts.rejected,
            "files": day.counts.files,
            "files_digest": inputs.lake.fingerprint(day.day),
        }
        for day in stored
    }


def made_with(inputs: NightInputs, settings: Settings) -> dict[str, Any]:
    """Return the versions, the model and the settings that the night is made with."""
    return {
        "versions": {
            "nightclamp": __version__,
            "python": platform.python_version(),
            **{name: version(name) for name in VERSIONS},
        },
        "model_id": inputs.model.model_id,
        "settings": settings.model_dump(mode="json", exclude={"engine", "object_store", "cluster"}),
    }


def write_run_json(
    inputs: NightInputs,
    stored: list[StoredDay],
    scores: pl.DataFrame,
    counts: Mapping[str, int],
    built: Path,
    seconds: Mapping[str, float],
    settings: Settings,
    told: Mapping[str, Any],
) -> None:
    """Write what came, what was rejected, with which versions and model, and how long each step took.

    `told` is what `lookout.look_out` says of the days, of what changed and of what is an alarm.
    """
    verdicts = scores.group_by("verdict").len().sort("verdict")
    run = {
        "as_of": str(inputs.as_of),
        "window_days": inputs.request.window_days,
        **made_with(inputs, settings),
        "model": inputs.model_note,
        "counts": dict(counts),
        "verdicts": dict(verdicts.iter_rows()),
        "days_missing": [
            str(day) for day in _expected_days(inputs) if day not in {stored_day.day for stored_day in stored}
        ],
        "later_days_left_alone": [str(day) for day in inputs.later],
        "not_read": [f"{where}: {what}" for where, what in inputs.lake.oddities()],
        "previous_run": inputs.previous.name if inputs.previous else None,
        **told,
        "seconds": dict(seconds),
    }
    (built / "run.json").write_text(json.dumps(run, indent=1) + "\n", encoding="utf-8")


def _expected_days(inputs: NightInputs) -> list[date]:
    span = (inputs.as_of - inputs.days[0]).days
    return [inputs.days[0] + timedelta(days=at) for at in range(span + 1)]
