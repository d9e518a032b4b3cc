"""The private tables of a run: RUN/private/, readable by their owner alone, beside the tables that others share.

What lies there may name people, so it is in no other table, in no database and in no log; orders read it. Of a run
that goes to an object store only the files that [privacy] shares go with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.core.setting_sections import PrivacySettings

FOLDER = "private"
SITE_CONTACT, VISIT_NOTE = "site_contact", "visit_note"
OWNER_FILE, _OWNER_FOLDER = 0o600, 0o700


def write_private(run: Path, tables: Mapping[str, pl.DataFrame]) -> None:
    """Write each of these tables that has a row as RUN/private/NAME.parquet."""
    for name, table in tables.items():
        if table.height:
            path = private_folder(run) / f"{name}.parquet"
            path.touch(OWNER_FILE)  # nobody else reads it, not even while it is written
            table.write_parquet(path, compression="zstd")


def read_private(run: Path, name: str) -> pl.DataFrame | None:
    """Return a private table of a run; None where it has none, or it was not shared with this place."""
    path = run / FOLDER / f"{name}.parquet"
    return pl.read_parquet(path, glob=False) if path.is_file() else None


def private_folder(run: Path) -> Path:
    """Return the folder RUN/private, made where it is missing."""
    folder = run / FOLDER
    folder.mkdir(mode=_OWNER_FOLDER, parents=True, exist_ok=True)
    return folder


def close_to_others(*paths: Path) -> None:
    """Have files that name people read by their owner alone; one that isn't there is left out."""
    for path in paths:
        if path.exists():
            path.chmod(OWNER_FILE)


def unshared_files(privacy: PrivacySettings) -> frozenset[str]:
    """Return the files of a run, relative to it, that don't leave this machine."""
    is_shared = {SITE_CONTACT: privacy.share_contacts, VISIT_NOTE: privacy.notes_on_pages}
    return frozenset(f"{FOLDER}/{name}.parquet" for name, shared in is_shared.items() if not shared)
