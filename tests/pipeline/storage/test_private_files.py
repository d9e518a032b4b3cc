"""Private tables: their owner's alone, none where there is nothing, and shared only as the settings say."""

from __future__ import annotations

import stat
from pathlib import Path

import polars as pl

from pipeline.core.settings import load_settings
from pipeline.storage.private_files import (
    SITE_CONTACT,
    VISIT_NOTE,
    read_private,
    unshared_files,
    write_private,
)

TABLE = pl.DataFrame({"visit_id": ["V1"], "note": ["gate code 4711"]})


def test_a_table_is_read_back_by_its_owner_alone(tmp_path: Path) -> None:
    write_private(tmp_path, {VISIT_NOTE: TABLE, SITE_CONTACT: TABLE.clear()})
    read = read_private(tmp_path, VISIT_NOTE)
    assert read is not None
    assert read.equals(TABLE)
    path = tmp_path / "private" / "visit_note.parquet"
    assert [stat.S_IMODE(place.stat().st_mode) for place in (path, path.parent)] == [0o600, 0o700]


def test_where_nothing_is_private_there_is_nothing(tmp_path: Path) -> None:
    write_private(tmp_path, {SITE_CONTACT: TABLE.clear()})
    assert list(tmp_path.iterdir()) == []
    assert read_private(tmp_path, SITE_CONTACT) is None


def test_contacts_stay_here_unless_the_settings_share_them() -> None:
    privacy = load_settings().privacy
    assert unshared_files(privacy) == {"private/site_contact.parquet"}
    turned = privacy.model_copy(update={"share_contacts": True, "notes_on_pages": False})
    assert unshared_files(turned) == {"private/visit_note.parquet"}
