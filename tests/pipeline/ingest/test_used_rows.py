"""Rows stream as whole homes; rejected and superseded ones are counted, and rows out of order are noticed."""

from __future__ import annotations

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.core.contract import MEASURES
from pipeline.ingest import used_rows
from pipeline.ingest.used_rows import OutOfOrder, RowStream, UsedRows

DAY_US, MINUTE_US = 86_400_000_000, 60_000_000


def stream(*rows: tuple[int, int, float, str | None]) -> RowStream:
    """Rows of (home, minute, l1_w, reason), in this order."""
    frame = pl.DataFrame(
        {
            "key_us": [home * DAY_US + minute * MINUTE_US for home, minute, *_ in rows],
            "reason": pl.Series([reason for *_, reason in rows], dtype=pl.String),
            **{name: pl.Series([None] * len(rows), dtype=pl.Float64) for name in MEASURES},
            "l1_w": [watts for _, _, watts, _ in rows],
        }
    )
    con = duckdb.connect()
    con.register("rows", frame.to_arrow())
    return RowStream(con.table("rows"))


def flat(blocks: list[UsedRows]) -> list[tuple[int, int, float]]:
    return [
        (int(home), int(minute), float(watts))
        for block in blocks
        for home, minute, watts in zip(block.home, block.minute, block.channels["l1_w"], strict=True)
    ]


@pytest.mark.parametrize("at_once", [1, 2, 3, 2048])
def test_each_block_holds_whole_homes_whatever_the_batches(
    at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(used_rows, "_ROWS_AT_ONCE", at_once)
    rows = stream(*((home, 15 * step, 10.0 * home + step, None) for home in range(3) for step in range(4)))
    blocks = list(rows)

    assert flat(blocks) == [(home, 15 * step, 10.0 * home + step) for home in range(3) for step in range(4)]
    homes = [home for block in blocks for home in np.unique(block.home)]
    assert homes == [0, 1, 2]
    assert (rows.rows_in, rows.used, rows.rejected, rows.duplicate) == (12, 12, 0, 0)


@pytest.mark.parametrize("at_once", [1, 2, 2048])
def test_the_last_of_several_rows_for_one_start_is_used(
    at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(used_rows, "_ROWS_AT_ONCE", at_once)
    rows = stream(
        (0, 0, 1.0, None), (0, 0, 2.0, None), (0, 5, 3.0, None), (0, 5, 4.0, None), (0, 5, 5.0, None)
    )

    assert flat(list(rows)) == [(0, 0, 2.0), (0, 5, 5.0)]
    assert (rows.rows_in, rows.used, rows.duplicate) == (5, 2, 3)


def test_rejected_rows_are_counted_and_passed_over() -> None:
    rows = stream((0, 0, 1.0, None), (0, 5, 2.0, "l1_w is NaN or infinite"), (1, 0, 3.0, None))

    assert flat(list(rows)) == [(0, 0, 1.0), (1, 0, 3.0)]
    assert (rows.rows_in, rows.used, rows.rejected) == (3, 2, 1)


def test_nothing_comes_of_no_rows() -> None:
    rows = stream()
    assert list(rows) == []
    assert rows.rows_in == 0


@pytest.mark.parametrize(
    "late", [(0, 0, 9.0, None), (1, 0, 9.0, None)], ids=["another home", "an earlier minute"]
)
def test_a_row_out_of_order_is_noticed(late: tuple[int, int, float, str | None]) -> None:
    with pytest.raises(OutOfOrder):
        list(stream((0, 5, 1.0, None), (1, 5, 2.0, None), late))


def test_channels_of_a_third_line_are_there_where_they_are_asked_for() -> None:
    plain = stream((0, 0, 1.0, None))
    con = duckdb.connect()
    con.register(
        "rows", pl.DataFrame({"key_us": [0], **{name: [7.0] for name in (*MEASURES, "l3_w")}}).to_arrow()
    )
    more = RowStream(con.table("rows"), more=("l3_w",))
    (without,), (with_it,) = list(plain), list(more)

    assert set(without.channels) == set(MEASURES)
    assert with_it.channels["l3_w"].tolist() == [7.0]


def test_null_is_nan_and_the_arrays_can_be_written() -> None:
    (block,) = list(stream((0, 0, 1.0, None)))
    assert np.isnan(block.channels["l2_w"]).all()
    assert all(channel.flags.writeable and channel.flags.c_contiguous for channel in block.channels.values())
