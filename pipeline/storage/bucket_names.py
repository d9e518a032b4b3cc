"""Names of an OUT's objects: which may be fetched, and so name a file here, and what they stand for."""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.storage import private_files
from pipeline.storage.layout import CORRECTED_DAY, CORRECTED_SUMS, STORE_TABLES
from pipeline.storage.run_files import FILES, Damage, find_damage, read_record

# An object of any other name stays where it is.
DAY_FILE = re.compile(r"[a-z_]+/date=(\d{4}-\d{2}-\d{2})/[A-Za-z0-9][A-Za-z0-9_.=-]{0,150}")
TABLE = re.compile(rf"(?:{private_files.FOLDER}/)?[a-z_]{{1,80}}\.parquet|run\.json")
MODEL = re.compile(r"[a-z_]{1,80}\.(json|npz)")
CORRECTED_FILE = re.compile(
    rf"date=\d{{4}}-\d{{2}}-\d{{2}}/{re.escape(CORRECTED_DAY)}|[a-z_]{{1,80}}\.(?:parquet|json)"
    rf"|{re.escape(CORRECTED_SUMS)}/[a-z0-9][a-z0-9_.-]{{0,150}}"
)
PLAN = re.compile(r"\d{4}-\d{2}-\d{2}/dispatch\.parquet")


def whole_name(run: str) -> str:
    """Return the local name of a run: DATE-id of runs/DATE/id."""
    _, day, run_id = run.split("/")
    return f"{day}-{run_id}"


def day_of(name: str) -> str:
    """Return the day of the store's file that an object is."""
    return name.partition("/date=")[2].partition("/")[0]


def turn_of(name: str) -> int:
    """Return when a day's file is put back: unknown tables first, then as the store writes them, the counts last."""
    table = name.split("/")[1]
    return (
        STORE_TABLES.index(table) + 1
        if table in STORE_TABLES
        else len(STORE_TABLES) + 1
        if table == "intake"
        else 0
    )


def is_copy_damaged(folder: Path) -> bool:
    """Tell whether a fetched run is no longer what was published, as far as it was fetched."""
    record = read_record(folder)
    if isinstance(record, Damage):
        return True
    shared = [name for name in record.get(FILES, ()) if TABLE.fullmatch(name) and "/" not in name]
    return bool(shared and find_damage(folder, shared))
