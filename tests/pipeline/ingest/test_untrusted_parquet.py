"""Parquet of other hands: every column has texts, and no file claims more than it holds."""

from __future__ import annotations

import contextlib
import decimal
from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from lakes import DAY, build_lake, put, reasons, rejects_of, rows, take_in

from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.untrusted_parquet import READ_ERRORS, read_foreign, refuse_absurd, tamed


@pytest.mark.parametrize(
    ("column", "shown"),
    [
        (pl.Series([b"\xff\x00", None]), ["ff00", None]),
        (pl.Series([[1], None]), ["(List(Int64))", None]),
        (pl.Series([{"x": b"y"}]), ["(Struct({'x': Binary}))"]),
        (pl.Series([timedelta(1)]), ["(Duration(time_unit='us'))"]),
        (
            pl.Series([2**63 - 1, 0, None]).cast(pl.Datetime("us")),
            [str(2**63 - 1), "1970-01-01 00:00:00", None],
        ),
        (pl.Series([-(2**63)]).cast(pl.Datetime("ms")), [str(-(2**63))]),
        (pl.Series([2**62, 1]).cast(pl.Datetime("us", "UTC")), [str(2**62), "1970-01-01 00:00:00.000001Z"]),
        (pl.Series([2**31 - 1, 0], dtype=pl.Int32).cast(pl.Date), [str(2**31 - 1), "1970-01-01"]),
    ],
)
def test_what_has_no_text_gets_one(column: pl.Series, shown: list[str | None]) -> None:
    assert tamed(column.alias("x").to_frame())["x"].to_list() == shown


@pytest.mark.parametrize(
    "column",
    [
        pl.Series([1, None]),
        pl.Series(["a", ""]),
        pl.Series([float("nan")]),
        pl.Series([True]),
        pl.Series([date(9999, 12, 31)]),
        pl.Series([datetime(1, 1, 1)]),
        pl.Series([datetime(2025, 6, 1)], dtype=pl.Datetime("ns", "America/Denver")),
        pl.Series([decimal.Decimal("1.5")]),
        pl.Series(["a"], dtype=pl.Categorical),
        pl.Series([None, None]),
        pl.Series([2**63 - 1]).cast(pl.Datetime("ns")),
    ],
)
def test_what_has_a_text_is_left_alone(column: pl.Series) -> None:
    assert tamed(column.to_frame()).to_series().equals(column, check_dtypes=True)


def test_a_billion_rows_in_a_few_bytes_are_refused_by_the_footer_alone(tmp_path: Path) -> None:
    few = pa.table({"l1_w": pa.repeat(pa.scalar(1.0), 11_000_000)})
    pq.write_table(few, tmp_path / "absurd.parquet")
    with pytest.raises(UnusableFileError, match=r"claims 11000000 rows in \d+ bytes"):
        refuse_absurd(tmp_path / "absurd.parquet")
    refuse_absurd(put(build_lake(tmp_path / "lake"), "1.parquet", rows("a")))


US, NS = (
    rows("a").to_arrow(),
    rows("b").with_columns(pl.col("interval_start").cast(pl.Datetime("ns"))).to_arrow(),
)


def with_column(name: str, values: pa.Array) -> bytes:
    """A day of home a with another column of that name, as Parquet."""
    table = US
    table = (
        table.set_column(table.column_names.index(name), name, values)
        if name in table.column_names
        else table.append_column(name, values)
    )
    out = pa.BufferOutputStream()
    pq.write_table(table, out)
    return bytes(out.getvalue())


@pytest.mark.parametrize(
    ("name", "values", "reason"),
    [
        ("interval_start", pa.array([2**63 - 1] * 96, pa.timestamp("us")), "lies in the future"),
        ("interval_start", pa.array([-(2**63)] * 96, pa.timestamp("us")), "outside its partition"),
        ("interval_start", pa.array([2**43] * 96, pa.timestamp("s")), "lies in the future"),
        ("site_id", pa.array([b"a\xff"] * 96), "unknown home"),
        ("site_id", pa.array([7] * 96), "unknown home"),
        ("site_id", pa.nulls(96), "site_id is missing"),
        ("interval_start", pa.nulls(96), "interval_start is missing"),
        ("l1_w", pa.array([2**64 - 1] * 96, pa.uint64()), "more than the service can carry"),
        ("site_id", pa.array(["a" * 1_000_000] * 96), "unknown home"),
    ],
)
def test_rows_of_odd_types_are_rejects_one_by_one(
    tmp_path: Path, name: str, values: pa.Array, reason: str
) -> None:
    lake = build_lake(tmp_path / "lake")
    put(lake, "1.parquet", with_column(name, values))
    put(lake, "2.parquet", pl.DataFrame(pl.from_arrow(NS)))
    intake, used = take_in(lake)
    assert (intake.rows_in, intake.used, intake.rejected) == (192, 96, 96)
    assert reason in reasons(intake)[0]
    assert used["site_id"].unique().to_list() == ["b"]


@pytest.mark.parametrize(
    ("values", "used"),
    [
        (pa.array([b"\xff"] * 96), 95),
        (pa.array([[{"x": 1}]] * 96), 95),
        (pa.array([1] * 96, pa.duration("us")), 95),
        (pa.array([2**62] * 96, pa.timestamp("us")), 95),
    ],
)
def test_a_column_that_nobody_reads_stops_no_row_and_stands_in_the_reject(
    tmp_path: Path, values: pa.Array, used: int
) -> None:
    """One reading is text, so the file is staged and the row told with all its columns."""
    lake = build_lake(tmp_path / "lake")
    texts = pa.array(["300"] * 95 + ["much"])
    out = pa.BufferOutputStream()
    pq.write_table(US.set_column(2, "l1_w", texts).append_column("extra", values), out)
    put(lake, "1.parquet", bytes(out.getvalue()))
    intake, _ = take_in(lake)
    assert (intake.used, intake.rejected) == (used, 1)
    assert '"extra":' in rejects_of(intake)["row"][0]


def test_times_in_nanoseconds_stand_beside_times_that_nanoseconds_can_not_tell(tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    put(lake, "1.parquet", with_column("interval_start", pa.array([2**61] * 96, pa.timestamp("us"))))
    put(lake, "2.parquet", pl.DataFrame(pl.from_arrow(NS)))
    intake, _ = take_in(lake)
    assert (intake.rows_in, intake.used, intake.rejected) == (192, 96, 96)


def test_names_that_differ_in_case_only_are_refused(tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    put(lake, "1.parquet", rows("a").rename({"l1_w": "L1_W"}).with_columns(L1_w=pl.lit(1.0)))
    intake, _ = take_in(lake)
    assert reasons(intake) == ["the file has the column 'l1_w' twice, as 'L1_W' and 'L1_w'; keep one"]


@pytest.mark.parametrize("name", ["a*.parquet", "[ab].parquet", "?.parquet", "q'\".parquet", "{a,b}.parquet"])
def test_a_file_is_read_by_its_name_which_is_no_pattern(tmp_path: Path, name: str) -> None:
    lake = build_lake(tmp_path / "a lake [1]*")
    put(lake, "a.parquet", rows("a", l1_w=1.0).head(40), DAY)
    put(lake, name, rows("a", l1_w=2.0).tail(50), DAY, arrived_h=1)
    intake, used = take_in(lake)
    assert (intake.rows_in, intake.used, intake.duplicate) == (90, 90, 0)
    assert used["l1_w"].to_list() == [1.0] * 40 + [2.0] * 50


def test_a_text_that_is_no_utf_8_makes_its_file_unusable(tmp_path: Path) -> None:
    """Two bytes that would pass for a 0 where nobody looks."""
    pq.write_table(
        pa.table({"site_id": pa.array([b"\xc0\xb0"]).view(pa.string())}), tmp_path / "sites.parquet"
    )
    with pytest.raises(READ_ERRORS, match="UTF"):
        read_foreign(tmp_path / "sites.parquet")


def test_a_byte_changed_anywhere_is_another_value_or_an_unusable_file(tmp_path: Path) -> None:
    """Also in the footer, whose places and sizes a reader goes by."""
    path = tmp_path / "sites.parquet"
    pq.write_table(pa.table({"site_id": ["a", "b"], "pv_kw": [5.0, None]}), path, store_schema=False)
    whole = path.read_bytes()
    read = 0
    for at in range(len(whole)):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x55]) + whole[at + 1 :])
        with contextlib.suppress(UnusableFileError, *READ_ERRORS):
            read += read_foreign(path).height == 2
    assert 0 < read < len(whole)
