"""What an OUT in an object store has published: one small object, latest.json, that is turned in one atomic put.

    OUT/latest.json                the latest run, the run of each day, the fleet's own model, OUT's format
    OUT/runs/DATE/<id>/...         a run, never changed after it is there

    {"latest": "2026-06-14", "run": "runs/2026-06-14/0f3a5c6b7d8e",
     "runs": {"2026-06-14": "runs/2026-06-14/0f3a5c6b7d8e"}, "model": "model/41c2...",
     "format": 2, "nightclamp": "0.1.0"}

An object store has no links and no renaming of folders: whoever reads goes by this object.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from pipeline.core.errors import InputError, NightFailed
from pipeline.storage.object_store import Bucket, TakenError
from pipeline.storage.out_format import mark, usable_format

NAME = "latest.json"
_RUN = re.compile(r"runs/(\d{4}-\d{2}-\d{2})/[0-9a-f]{12}")
_MODEL = re.compile(r"model/[0-9a-f]{12}")
_TRIES = 5


@dataclass(frozen=True)
class Index:
    """What is published: the day of `latest` ("" if nothing), day -> run, the model's folder, all below OUT."""

    latest: str = ""
    runs: Mapping[str, str] = field(default_factory=dict)
    model: str = ""

    def before(self, day: date) -> str | None:
        """Return the newest day before `day` that has a run."""
        return max((run for run in self.runs if run < str(day)), default=None)

    def with_run(self, day: date, run: str, *, turn_latest: bool = True) -> Index:
        """Return the index with this run as its day's and, with `turn_latest`, as the latest."""
        runs = dict(sorted({**self.runs, str(day): run}.items()))
        return replace(self, latest=str(day) if turn_latest else self.latest, runs=runs)

    def without(self, days: Collection[str]) -> Index:
        """Return the index without the runs of these days."""
        return replace(self, runs={day: run for day, run in self.runs.items() if day not in days})

    def with_model(self, model: str) -> Index:
        """Return the index with this as the fleet's own model."""
        return replace(self, model=model)


def read_index(bucket: Bucket) -> tuple[Index, str]:
    """Return what is published and the tag of the object that says so, "" if there is none.

    Raises
    ------
    InputError
        latest.json is not one, or OUT is of a newer version of the program.
    """
    stored = bucket.read(NAME)
    if stored is None:
        return Index(), ""
    try:
        content = json.loads(stored[0])
        if isinstance(content, dict) and "format" in content:
            usable_format(content, str(bucket.url), f"{bucket.url}/{NAME}")
        index = Index(
            str(content["latest"]),
            {str(day): str(run) for day, run in content["runs"].items()},
            str(content["model"]),
        )
        is_one = all((m := _RUN.fullmatch(run)) and m[1] == day for day, run in index.runs.items())
        is_one &= not index.model or bool(_MODEL.fullmatch(index.model))
        is_one &= not index.latest or index.latest in index.runs
    except (ValueError, TypeError, LookupError, AttributeError):
        is_one = False
    if not is_one:
        raise InputError(
            f"{bucket.url}/{NAME}: not an index of runs; put the version before back, or remove it to start anew"
        )
    return index, stored[1]


def turn(bucket: Bucket, opened: Index, change: Callable[[Index], Index]) -> Index:
    """Turn the index by one conditional put; return what it is now.

    `opened` is what the work began with: if another night has published since, ours is not.

    Raises
    ------
    NightFailed
        Another night has published meanwhile.
    """
    for _ in range(_TRIES):
        index, tag = read_index(bucket)
        wanted = change(index)
        if index == wanted:  # also where the answer to our put was lost
            return index
        if index.runs != opened.runs or index.latest != opened.latest:
            break
        content = {
            "latest": wanted.latest,
            "run": wanted.runs.get(wanted.latest, ""),
            "runs": wanted.runs,
            "model": wanted.model,
            **mark(),
        }
        try:
            bucket.put(NAME, (json.dumps(content, indent=1) + "\n").encode(), tag)
        except TakenError:
            continue
        return wanted
    raise NightFailed(f"{bucket.url}: another night has published here meanwhile; nothing was published")
