"""The plans of days of `nightclamp dispatch` in OUT/dispatch: for each home the newest, up to the night."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.errors import InputError
from pipeline.storage.layout import PLAN_FOLDER

# planned_made_on: the night the plan was made of.
PLANS = pl.Schema(
    {"site_id": pl.String, "planned_on": pl.Date, "truck_id": pl.String, "planned_made_on": pl.Date}
)


def read_plans(out: Path, as_of: date) -> pl.DataFrame:
    """Return PLANS: the newest plan made by `as_of` of each home that was planned, sorted.

    Raises
    ------
    InputError
        A plan can't be read.
    """
    plans = []
    for file in sorted((out / PLAN_FOLDER).glob("????-??-??/dispatch.parquet")):
        try:
            made_on = date.fromisoformat(file.parent.name)
        except ValueError:
            continue
        if made_on > as_of:
            continue
        try:
            rows = pl.read_parquet(file, columns=["site_id", "day", "truck_id"], glob=False)
        except (OSError, pl.exceptions.PolarsError) as error:
            reason = " ".join(str(error).split())[:200]
            raise InputError(f"{file}: not a readable plan ({reason}); make it again or remove it") from error
        plans.append(rows.rename({"day": "planned_on"}).with_columns(planned_made_on=made_on))
    if not plans:
        return pl.DataFrame(schema=PLANS)
    newest = pl.concat(plans).sort("planned_made_on", "planned_on").group_by("site_id").last()
    return newest.select(PLANS.names()).cast(PLANS).sort("site_id")
