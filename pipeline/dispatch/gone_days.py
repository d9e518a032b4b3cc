"""Days that are gone keep their plan: the next night reads from it who went where."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.core.errors import InputError

LONGEST_AHEAD = timedelta(days=366)
_DRY = "--dry-run shows a plan without writing it"


def refuse_gone_first_day(first_day: date | None, as_of: date) -> None:
    """Refuse to plan from a day that the night has seen already.

    Raises
    ------
    InputError
        `first_day` is the night's own day `as_of`, lies before it, or more than a year after it.
    """
    if first_day is not None and first_day > as_of + LONGEST_AHEAD:
        raise InputError(
            f"--date {first_day}: more than a year after the list of {as_of};"
            f" choose a day up to {as_of + LONGEST_AHEAD}"
        )
    if first_day is not None and first_day <= as_of:
        raise InputError(
            f"--date {first_day}: that day is past, the list is of {as_of}; choose a later day ({_DRY})"
        )


def refuse_other_plan(file: Path, plan: pl.DataFrame, today: date) -> None:
    """Refuse to replace the plan in `file`, where it has visits before `today` that `plan` doesn't have as they are.

    Raises
    ------
    InputError
        The plan of a day that is gone would change.
    """
    if not file.is_file():
        return
    columns = ["day", "truck_id", "stop", "site_id"]
    gone = pl.col("day") < today
    old = pl.read_parquet(file, columns=columns, glob=False).filter(gone)
    lost = old.join(plan.filter(gone), on=columns, how="anti", nulls_equal=True)
    if lost.height:
        first = min(lost["day"].to_list())
        raise InputError(
            f"{file.parent}: the plan of {first} is of a day that is gone, and this one would change it; "
            f"wait for the next night, or remove that folder ({_DRY})"
        )
