"""The same row counts the same wherever it comes from: CSV, gzip, Parquet in place or staged, of any type."""

from __future__ import annotations

import gzip
import tempfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st
from lakes import build_lake, put, rejects_of, rows, take_in

from pipeline.core import contract
from pipeline.ingest.lake import LakeFile
from pipeline.ingest.lake_config import Intervals
from pipeline.ingest.plain_texts import has_plain_texts
from pipeline.ingest.staging import prepare

Outcome = tuple[tuple[int, int, int, int], list[tuple[int | None, str]], list[tuple[object, ...]]]
Types = dict[str, pa.DataType]

# Rows of every fate: used, twice, of no home, of an unknown one, at no time, beyond the range, not finite.
POOL = pl.concat(
    [
        rows("a").head(5),
        rows("a", l1_w=310.0).head(2),
        rows("b", l1_w=None, l2_w=None).head(2),
        rows("b", pv_w=float("nan")).head(1),
        rows("z").head(2),
        rows("").head(1),
        rows("b", l1_w=1e9).tail(1),
        rows("b").head(2).with_columns(interval_start=pl.lit(None, dtype=pl.Datetime("us"))),
        rows("a").head(1).with_columns(interval_start=pl.col("interval_start") - timedelta(days=2)),
        rows("a").head(1).with_columns(site_id=pl.lit(None, dtype=pl.String)),
    ]
)
PADS = ("", " ", "\t", "  \t ", "\u00a0", "\x00\x00", "\ufeff", "\x1f")


def outcome(
    name: str,
    content: pl.DataFrame | bytes | Callable[[Path], None],
    measures: tuple[str, ...] = ("l1_w", "l2_w", "pv_w"),
) -> Outcome:
    """What becomes of a file's rows: the counts, each reject's row and reason, the rows that are used."""
    with tempfile.TemporaryDirectory() as folder:
        lake = build_lake(Path(folder) / "lake")
        path = put(lake, name, b"" if callable(content) else content)
        if callable(content):
            content(path)
        intake, used = take_in(lake)
        rejects = rejects_of(intake).sort("source_row").select("source_row", "reason").rows()
    kept = used.select("site_id", "interval_start", *measures).rows()
    return (intake.rows_in, intake.used, intake.duplicate, intake.rejected), rejects, kept


def as_parquet(frame: pl.DataFrame, types: Types, group_rows: int = 7) -> Callable[[Path], None]:
    """Return what writes the rows with columns of these types, some rows a row group."""
    table = frame.to_arrow()
    for name, kind in types.items():
        column = table[name]
        if pa.types.is_decimal(kind) or (pa.types.is_string(kind) and name != "site_id"):
            column = pa.chunked_array([pa.array(frame[name].cast(pl.String).to_list())])
        if pa.types.is_fixed_size_binary(kind):
            padded = [
                None if one is None else one.encode().ljust(kind.byte_width, b"\0") for one in frame[name]
            ]
            column = pa.chunked_array([pa.array(padded, type=kind)])
        elif pa.types.is_dictionary(kind):
            column = column.cast(pa.string()).dictionary_encode()
        elif not pa.types.is_decimal(kind):
            column = column.cast(pa.string()).cast(kind) if pa.types.is_binary(kind) else column.cast(kind)
        else:
            column = column.cast(kind)
        table = table.set_column(table.column_names.index(name), name, column)
    return lambda path: pq.write_table(table, path, row_group_size=group_rows)


def as_csv(frame: pl.DataFrame) -> bytes:
    return frame.write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ").encode()


EXPECTED = outcome("1.csv", as_csv(POOL))


def test_the_pool_has_rows_of_every_fate() -> None:
    counts, rejects, _ = EXPECTED
    assert counts == (18, 5, 2, 11)
    assert len({reason for _, reason in rejects}) == 7


@pytest.mark.parametrize(
    "types",
    [
        {},
        {"site_id": pa.string()},
        {"site_id": pa.large_string()},
        {"site_id": pa.string_view()},
        {"site_id": pa.binary()},
        {"site_id": pa.large_binary()},
        {"site_id": pa.binary(8)},
        {"site_id": pa.dictionary(pa.int32(), pa.string())},
        {"interval_start": pa.timestamp("s")},
        {"interval_start": pa.timestamp("ms")},
        {"interval_start": pa.timestamp("ns")},
        {"interval_start": pa.timestamp("us", "UTC")},
        {"interval_start": pa.timestamp("ns", "UTC")},
        {"interval_start": pa.date64()},
        {"interval_start": pa.string()},
        {"l1_w": pa.float32(), "l2_w": pa.float32()},
        {"l2_w": pa.int32(), "l1_w": pa.int64()},
        {"l1_w": pa.decimal128(18, 3), "l2_w": pa.decimal128(18, 0)},
        {"l1_w": pa.string(), "l2_w": pa.string(), "pv_w": pa.string()},
        {"l2_w": pa.float16()},
    ],
    ids=str,
)
def test_a_row_counts_the_same_whatever_the_types_of_its_columns(types: Types) -> None:
    if types.get("interval_start") == pa.date64():  # holds no time of day here: as a text of days would
        days = POOL.with_columns(pl.col("interval_start").dt.truncate("1d"))
        assert outcome("1.parquet", as_parquet(days, types)) == outcome("1.csv", as_csv(days))
        return
    assert outcome("1.parquet", as_parquet(POOL, types)) == EXPECTED


def test_times_of_another_zone_are_the_same_times() -> None:
    zoned = pl.col("interval_start").dt.replace_time_zone("UTC").dt.convert_time_zone("Australia/Adelaide")
    assert outcome("1.parquet", POOL.with_columns(zoned)) == EXPECTED
    offsets = POOL.with_columns(zoned.dt.to_string("%Y-%m-%dT%H:%M:%S%:z"))
    assert outcome("1.csv", offsets.write_csv().encode()) == EXPECTED


@pytest.mark.parametrize("kind", [pl.Int64, pl.Int16, pl.Float64, pl.String, pl.Decimal(10, 0)])
def test_an_id_of_digits_is_one_whatever_its_type(kind: type[pl.DataType], tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    text = (lake / "sites.csv").read_text(encoding="utf-8")
    (lake / "sites.csv").write_text(
        text.replace("\na,", "\n101,").replace("\nb,", "\n102,"), encoding="utf-8"
    )
    put(lake, "1.parquet", pl.concat([rows("101"), rows("102")]).with_columns(pl.col("site_id").cast(kind)))
    intake, used = take_in(lake)
    assert (intake.used, intake.rejected) == (192, 0)
    assert used["site_id"].unique().sort().to_list() == ["101", "102"]


@effort(max_examples=25, deadline=None)
@given(
    before=st.lists(st.sampled_from(PADS), min_size=POOL.height, max_size=POOL.height),
    after=st.lists(st.sampled_from(PADS), min_size=POOL.height, max_size=POOL.height),
    way=st.sampled_from(["csv", "csv.gz", "parquet", "binary", "dictionary", "large", "ns", "zone", "texts"]),
    group_rows=st.integers(1, 20),
)
def test_what_stands_around_an_id_unseen_never_matters(
    before: list[str], after: list[str], way: str, group_rows: int
) -> None:
    padded = POOL.with_columns(site_id=pl.Series(before) + pl.col("site_id") + pl.Series(after))
    types: dict[str, Types] = {
        "parquet": {}, "binary": {"site_id": pa.binary()}, "large": {"site_id": pa.large_string()},
        "dictionary": {"site_id": pa.dictionary(pa.int32(), pa.string())},
        "ns": {"interval_start": pa.timestamp("ns")}, "zone": {"interval_start": pa.timestamp("us", "UTC")},
        "texts": {"interval_start": pa.string(), "l1_w": pa.string()},
    }  # fmt: skip
    if way.startswith("csv"):
        text = as_csv(padded)
        assert outcome(f"1.{way}", gzip.compress(text) if way == "csv.gz" else text) == EXPECTED
    else:
        assert outcome("1.parquet", as_parquet(padded, types[way], group_rows)) == EXPECTED


READING = st.none() | st.sampled_from([0.0, 5.0, -70.0, 401.0, 1e9, float("nan"), float("inf")])
BY_LINE = ("l1_w", "l2_w", "pv_w", *contract.THIRD_LINE, *contract.PV_BY_LINE)


@effort(max_examples=25, deadline=None)
@given(
    table=st.lists(st.tuples(*(READING for _ in BY_LINE)), min_size=1, max_size=8),
    way=st.sampled_from(["parquet", "texts", "floats", "csv.gz"]),
    group_rows=st.integers(1, 5),
)
def test_a_row_with_three_lines_counts_the_same_wherever_it_comes_from(
    table: list[tuple[float | None, ...]], way: str, group_rows: int
) -> None:
    values = pl.DataFrame(table, schema=dict.fromkeys(BY_LINE, pl.Float64), orient="row")
    day = rows("b").head(values.height).drop("l1_w", "l2_w", "pv_w").hstack(values)
    expected = outcome("1.csv", as_csv(day), BY_LINE)
    kind = {"parquet": None, "texts": pa.string(), "floats": pa.float32()}.get(way)
    types = {} if kind is None else dict.fromkeys(("l3_w", "pv_l2_w"), kind)
    content = gzip.compress(as_csv(day)) if way == "csv.gz" else as_parquet(day, types, group_rows)
    assert outcome(f"1.{way if way == 'csv.gz' else 'parquet'}", content, BY_LINE) == expected


@pytest.mark.parametrize("place", [0, 50, 95])
def test_one_padded_id_in_any_row_group_is_found(place: int, tmp_path: Path) -> None:
    day = rows("a").with_columns(
        site_id=pl.when(pl.int_range(pl.len()) == place).then(pl.lit("a\t")).otherwise("site_id")
    )
    lake = build_lake(tmp_path / "lake")
    for kind in (pa.string(), pa.large_string()):
        table = day.to_arrow()
        table = table.set_column(0, "site_id", table["site_id"].cast(kind))
        for use_dictionary in (True, False):
            path = put(lake, "1.parquet", day)
            pq.write_table(table, path, row_group_size=10, use_dictionary=use_dictionary)
            assert not has_plain_texts(path, "site_id")
            intake, _ = take_in(lake)
            assert (intake.used, intake.rejected) == (96, 0)


def test_ids_with_nothing_around_are_read_where_they_lie(tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    path = put(lake, "1.parquet", rows("a"))
    file = LakeFile(path, "1.parquet", path.stat().st_size, path.stat().st_mtime_ns)
    assert prepare(file, Intervals(), ("site_id",), workdir=tmp_path, number=0) == path


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_a_registers_ids_are_bare_too(suffix: str, tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    sites = pl.read_csv(lake / "sites.csv").with_columns(
        pl.lit("\t ") + pl.col("site_id") + pl.lit("\u00a0\x00")
    )
    (lake / "sites.csv").unlink()
    if suffix == "csv":
        sites.write_csv(lake / "sites.csv")
    else:
        sites.with_columns(pl.col("site_id").cast(pl.Binary)).write_parquet(lake / "sites.parquet")
    put(lake, "1.parquet", rows("a"))
    intake, _ = take_in(lake)
    assert (intake.used, intake.rejected) == (96, 0)
