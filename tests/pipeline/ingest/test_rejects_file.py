"""Rejects a few at a time: a file is the same whatever pieces it comes in, and several make one order."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core import contract
from pipeline.ingest.rejects_file import blocks, merged, writing


def rejects(rows: range | list[int]) -> pl.DataFrame:
    return contract.rejects(("a.csv", row, "too large", f'{{"row": {row}}}') for row in rows)


def written(path: Path, *pieces: pl.DataFrame) -> bytes:
    with writing(path, group_rows=10) as write:
        for piece in pieces:
            write(piece)
    return path.read_bytes()


def test_the_same_rows_in_other_pieces_are_the_same_bytes(tmp_path: Path) -> None:
    once = written(tmp_path / "once", rejects(range(1, 36)))
    often = written(tmp_path / "often", *(rejects(range(at, min(at + 3, 36))) for at in range(1, 36, 3)))

    assert once == often
    assert [block.height for block in blocks(tmp_path / "often")] == [10, 10, 10, 5]
    assert pl.concat(blocks(tmp_path / "often")).equals(rejects(range(1, 36)))


def test_a_file_without_rejects_has_the_columns_and_no_block(tmp_path: Path) -> None:
    written(tmp_path / "none")

    assert pl.read_parquet(tmp_path / "none").equals(contract.rejects())
    assert list(blocks(tmp_path / "none")) == []


def test_a_writer_that_is_stopped_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    before = written(tmp_path / "kept", rejects([1]))

    def half() -> None:
        with writing(tmp_path / "kept", 10) as write:
            write(rejects(range(1, 31)))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        half()
    assert (tmp_path / "kept").read_bytes() == before


def test_no_more_than_a_group_is_read_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path / "many", rejects(range(1, 101)))
    monkeypatch.delattr(pq.ParquetFile, "read")

    first = next(blocks(tmp_path / "many"))

    assert first.height == 10


@given(
    owners=st.lists(st.integers(0, 3), max_size=60),
    size=st.integers(1, 7),
)
def test_several_sources_make_one_order(owners: list[int], size: int) -> None:
    """Each row is in one of four sources; a source comes in blocks of `size` rows."""
    every = rejects(range(1, len(owners) + 1))

    def source(number: int) -> Iterator[pl.DataFrame]:
        own = every.filter(pl.Series(owners, dtype=pl.Int64) == number)
        return (own[at : at + size] for at in range(0, own.height, size))

    found = list(merged([source(number) for number in range(4)], pl.col("source_row")))

    assert pl.concat([contract.rejects(), *found]).equals(every)
    assert all(block.height <= 4 * size for block in found)
