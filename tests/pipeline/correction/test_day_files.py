"""A day's file says what its rows come from; it is there whole or not at all."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq
import pytest
from corrections import correct_rows, episode, episode_table
from lakes import DAY, rows

from pipeline.core.contract import MEASURES
from pipeline.core.errors import NightFailed
from pipeline.correction.day_files import HOME, DayFiles
from pipeline.correction.layout import CORRECTED


def corrected(home: str) -> pl.DataFrame:
    frame = rows(home)
    missing = [pl.lit(None, pl.Float64).alias(name) for name in MEASURES if name not in frame.columns]
    return correct_rows(frame.with_columns(missing), episode_table(episode(home, DAY)))


def home_row(home: str, digest: str = "d") -> pl.DataFrame:
    counts = dict.fromkeys(HOME, 0) | {"rows_in": 96, "used": 96, "exact": 92, "as_reported": 4}
    return pl.DataFrame([counts | {"site_id": home, "digest": digest}], schema=HOME)


@pytest.fixture
def files(tmp_path: Path) -> DayFiles:
    """A day with homes a and b, b without a row."""
    files = DayFiles(tmp_path / "corrected")
    with files.written(DAY) as writer:
        writer.add(corrected("a"), home_row("a"))
        empty = pl.DataFrame([dict.fromkeys(HOME, 0) | {"site_id": "b", "digest": "e"}], schema=HOME)
        writer.add(pl.DataFrame(schema=CORRECTED), empty)
    return files


def test_a_file_is_the_rows_and_says_what_its_homes_come_from(files: DayFiles) -> None:
    assert pl.read_parquet(files.path(DAY)).equals(corrected("a"))
    assert files.rows(DAY, ["a", "b"]).equals(corrected("a"))
    assert files.rows(DAY, []).schema == CORRECTED
    assert files.homes(DAY).select("site_id", "digest", "used").rows() == [("a", "d", 96), ("b", "e", 0)]
    assert files.days() == [DAY]


def test_a_file_that_is_not_ours_or_spoilt_has_no_home(files: DayFiles) -> None:
    corrected("a").write_parquet(files.path(DAY))
    assert files.homes(DAY).is_empty()
    files.path(DAY).write_bytes(b"spoilt")
    assert files.homes(DAY).is_empty()
    assert files.homes(DAY + timedelta(days=1)).schema == HOME


def test_a_writer_that_fails_leaves_the_file_as_it_was(files: DayFiles) -> None:
    before = files.path(DAY).read_bytes()

    def stop_while_writing() -> None:
        with files.written(DAY + timedelta(days=1)) as writer:
            writer.add(corrected("a"), home_row("a"))
            raise KeyboardInterrupt

    with pytest.raises(NightFailed, match="0 rows written, 96 corrected"), files.written(DAY) as writer:
        writer.add(corrected("a").clear(), home_row("a"))
    with pytest.raises(KeyboardInterrupt):
        stop_while_writing()
    assert files.path(DAY).read_bytes() == before
    assert [path.name for path in files.root.iterdir()] == [f"date={DAY}"]


def test_a_reader_of_one_home_can_leave_groups_of_rows_unread(
    files: DayFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.correction.day_files._GROUP_ROWS", 40)
    with files.written(DAY) as writer:
        writer.add(corrected("a"), home_row("a"))
    assert pq.read_metadata(files.path(DAY)).num_row_groups == 3


def test_removing_a_day_removes_its_folder_unless_something_else_is_in_it(files: DayFiles) -> None:
    files.remove(DAY)
    assert list(files.root.iterdir()) == []
    files.remove(DAY)
    with files.written(DAY) as writer:
        writer.add(corrected("a"), home_row("a"))
    (files.path(DAY).parent / "note.txt").write_text("mine")
    files.remove(DAY)
    assert [path.name for path in files.path(DAY).parent.iterdir()] == ["note.txt"]
    assert files.days() == []
