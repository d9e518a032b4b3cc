"""Names of what lies in OUT, for whoever keeps it and whoever reads it."""

from __future__ import annotations

from pathlib import Path

# Tables of OUT/store/<table>/date=D/, in the order in which a day's files are written.
STORE_TABLES = ("site_hour", "reject", "line_day", "site_day")
LINE_TABLE = "line_day"  # of homes with three lines: a day without one has no file of it
OWN_MODEL = "model"
PLAN_FOLDER = "dispatch"  # OUT/dispatch/DATE/: the days planned by the run of DATE
# OUT/corrected/date=D/corrected.parquet, and what is written once all days are there, its last file last.
CORRECTED = "corrected"
CORRECTED_DAY = "corrected.parquet"
CORRECTED_LAST = "correct.json"
CORRECTED_SUMS = ".sums"  # folder of the days' energy, worked out once


def own_model_folder(out: Path) -> Path:
    """Return where `nightclamp train LAKE` keeps the model of a fleet whose runs are in OUT."""
    return out / OWN_MODEL
