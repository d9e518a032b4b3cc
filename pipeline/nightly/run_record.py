"""The record of a run: run.json."""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping
from datetime import timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.core.build_identity import build_identity
from pipeline.features.update_store import StoredDay
from pipeline.nightly.night_inputs import NightInputs, Tables
from pipeline.storage.run_files import FILES, RECORD, digest_files

VERSIONS = ("polars", "duckdb", "pyarrow", "scikit-learn", "numpy")


def day_records(inputs: NightInputs, stored: list[StoredDay]) -> dict[str, dict[str, Any]]:
    """Return day -> its rows, files, and a digest that changes when the files do."""
    counts = ("rows_in", "used", "duplicate", "rejected", "files")
    return {
        str(day.day): {
            **{name: getattr(day.counts, name) for name in counts},
            "files_digest": inputs.lake.fingerprint(day.day),
        }
        for day in stored
    }


def made_with(inputs: NightInputs) -> dict[str, Any]:
    """Return the versions, the model and the settings that the night is made with."""
    return {
        "versions": {
            "nightclamp": __version__,
            "build": build_identity(),
            "python": platform.python_version(),
            **{name: version(name) for name in VERSIONS},
        },
        "model_id": inputs.model.model_id,
        "settings": inputs.settings.model_dump(
            mode="json", exclude={"engine", "log", "object_store", "cluster"}
        ),
    }


def write_run_json(
    inputs: NightInputs, stored: list[StoredDay], tables: Tables, *, built: Path, seconds: Mapping[str, float]
) -> None:
    """Write what came in, what was rejected, with which versions and model, how long each step took, and all digests.

    The last file of a run: it holds the digests of the others.

    Parameters
    ----------
    inputs, stored, tables
        What the night works on, the store's days, and the night's tables with their record.
    built
        The run's folder.
    seconds
        Step -> how long it took [s].
    """
    verdicts = tables.published["site_scores"].group_by("verdict").len().sort("verdict")
    first, days = inputs.days[0], {day.day for day in stored}
    expected = [first + timedelta(days=number) for number in range((inputs.as_of - first).days + 1)]
    run = {
        "as_of": str(inputs.as_of),
        "run_id": inputs.request.run_id,
        "window_days": inputs.request.window_days,
        **made_with(inputs),
        "model": inputs.model_note,
        "counts": dict(tables.counts),
        "verdicts": dict(verdicts.iter_rows()),
        "days_missing": [str(day) for day in expected if day not in days],
        "running_day": str(inputs.running) if inputs.running in days else None,
        "later_days_left_alone": [str(day) for day in inputs.later],
        "not_read": [f"{where}: {what}" for where, what in inputs.lake.oddities()],
        "turned_latest": inputs.turns_latest,
        "previous_run": inputs.previous.name if inputs.previous else None,
        "damaged_runs": list(inputs.passed_over),
        **tables.record,
        "seconds": dict(seconds),
        FILES: digest_files(built),
    }
    (built / RECORD).write_text(json.dumps(run, indent=1) + "\n", encoding="utf-8")
