"""What `nightclamp utility` says: a line a file and usage point, a line a home, and the sum."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.core.line_columns import lines_in
from pipeline.core.number_text import number
from pipeline.ingest.utility import UtilityIntake

_NAMED = 5  # homes without a meter that are named


def file_line(row: Mapping[str, Any]) -> str:
    """Return what a file holds of one usage point, from a row of FILE_FACTS."""
    counts = (
        f"{row['rows']} rows = {row['used']} used + {row['duplicate']} duplicate + {row['rejected']} rejected"
    )
    who = f"usage point {row['usage_point']}" if row["usage_point"] is not None else "no usage point"
    home = f"home {row['site_id']}" if row["site_id"] is not None else "of no known home"
    if not row["used"]:
        return f"{row['source_file']}: {who}, {home}: {counts}"
    span = f"{row['first_start']:%Y-%m-%d} to {row['last_start']:%Y-%m-%d}"
    how = f"every {row['minutes']} min, in steps of {row['step_wh']:g} Wh"
    return f"{row['source_file']}: {who}, {home}: {span} {how}: {counts}"


def home_line(row: Mapping[str, Any]) -> str:
    """Return what the last night made of a home's file, from a row of `read_homes`."""
    home = f"home {row['site_id']}"
    if row["meter_why_not"]:
        return f"{home}: a utility file that {row['meter_why_not']}"
    legs = [
        f"{leg.upper()} {number(row[f'meter_gain_{leg}'], 2)} ± {number(2 * row[f'meter_gain_{leg}_se'], 3)}"
        for leg in lines_in(row, "meter_gain_{}")
        if row[f"meter_gain_{leg}"] is not None and row[f"meter_gain_{leg}_se"] is not None
    ]
    gain = f"reading over truth {', '.join(legs)}" if legs else "too little to tell"
    days = f"{row['meter_hours']} hours in common, {row['meter_from_on']} to {row['meter_to_on']}"
    return f"{home}: by its utility file, {days}, clock offset {number(row['meter_offset_min'], sign=True)} min: {gain}"


def summary(intake: UtilityIntake, without: Sequence[str]) -> str:
    """Return the counts of all files, and how many homes have no meter."""
    counts = f"{intake.rows_in} rows = {intake.used} used + {intake.duplicate} duplicate + {intake.rejected} rejected"
    named = ", ".join(without[:_NAMED]) + (", ..." if len(without) > _NAMED else "")
    homes = f"{len(without)} home{'' if len(without) == 1 else 's'} without a meter" + (
        f" ({named})" if without else ""
    )
    return f"{counts}; {homes}"
