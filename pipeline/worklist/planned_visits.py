"""The plans of days of `nightclamp dispatch` in OUT/dispatch: for each home the newest, up to the night."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from pipeline.storage.layout import PLAN_FOLDER

# planned_made_on: the night the plan was made of.
PLANS = pl.Schema(
    {"site_id": pl.String, "planned_on": pl.Date, "truck_id": pl.String, "planned_made_on": pl.Date}
)


def read_plans(out: Path, as_of: date) -> pl.DataFrame:
    """Return PLANS: the newest plan made by `as_of` of each home that was planned, sorted.

    A plan that can't be read is passed over (`damaged_plans`).
    """
    plans = []
    for made_on, file in _files(out, as_of):
        rows = _read(file)
        if isinstance(rows, pl.DataFrame):
            plans.append(rows.rename({"day": "planned_on"}).with_columns(planned_made_on=made_on))
    if not plans:
        return pl.DataFrame(schema=PLANS)
    newest = pl.concat(plans).sort("planned_made_on", "planned_on").group_by("site_id").last()
    return newest.select(PLANS.names()).cast(PLANS).sort("site_id")


def damaged_plans(out: Path, as_of: date) -> list[str]:
    """Return a line on each plan made by `as_of` that can't be read, oldest first."""
    read = ((file, _read(file)) for _, file in _files(out, as_of))
    return [f"{file.relative_to(out)}: {rows}" for file, rows in read if isinstance(rows, str)]


def _files(out: Path, as_of: date) -> list[tuple[date, Path]]:
    """Return the night and the file of each plan, oldest first."""
    files = []
    for file in sorted((out / PLAN_FOLDER).glob("????-??-??/dispatch.parquet")):
        try:
            made_on = date.fromisoformat(file.parent.name)
        except ValueError:
            continue
        if made_on <= as_of:
            files.append((made_on, file))
    return files


def _read(file: Path) -> pl.DataFrame | str:
    """Return a plan's rows, or why they can't be read."""
    try:
        rows = pl.read_parquet(file, columns=["site_id", "day", "truck_id"], glob=False)
        return rows.cast({"site_id": pl.String, "day": pl.Date, "truck_id": pl.String})
    except (OSError, pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        return f"not a readable plan ({' '.join(str(error).split())[:100]})"
