"""Homes' rows out of a day: those that the night uses, with its counts, whatever the files are like."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import duckdb
import polars as pl
import pyarrow.parquet as pq
import pytest
from lakes import DAY, SITES, build_lake, put, rows, take_in
from stored_nights import night

from pipeline.core import sql_runner
from pipeline.core.contract import MEASURES, THIRD_LINE
from pipeline.core.errors import NightFailed
from pipeline.core.settings import load_settings
from pipeline.correction import extract
from pipeline.correction.extract import HomeRows, LakeReader, OpenedDay
from pipeline.correction.night_counts import NightUsed
from pipeline.features.day_store import Store
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers

SETTINGS = load_settings()


@pytest.fixture
def con(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    connection = sql_runner.connect(tmp_path, SETTINGS.engine)
    yield connection
    connection.close()


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    """Homes a, b and c; rows twice, out of order, refused and late, in Parquet and CSV."""
    root = build_lake(
        tmp_path / "lake", SITES + "c,America/Denver,39.9,-105.2,north,120/240,100,5.0,false,c1,\n"
    )
    frame = rows("a", l1_w=100.0)
    put(root, "1.parquet", pl.concat([rows("c"), frame.reverse(), rows("b"), frame.head(3)]))
    put(root, "2.csv", rows("a", l1_w=150.0).head(5), arrived_h=1)
    put(root, "3.parquet", rows("a", l1_w=1e9).head(2), arrived_h=2)
    put(root, "4.parquet", rows("unknown"), arrived_h=2)
    put(root, "5.parquet", rows("b", l1_w=float("nan")).tail(4), arrived_h=2)
    put(root, "6.parquet", b"no parquet", arrived_h=3)
    put(root, "7.csv.gz", b"no gzip", arrived_h=3)
    return root


def reader_of(root: Path, tmp_path: Path, store: Store | None = None) -> LakeReader:
    lake = open_lake(root)
    return LakeReader(lake, read_registers(lake, DAY), SETTINGS, tmp_path / "copies", store)


def night_rows(root: Path, homes: list[str]) -> pl.DataFrame:
    _, used = take_in(root)
    columns = ["site_id", "interval_start", *MEASURES, *THIRD_LINE]
    none = [pl.lit(None, pl.Float64).alias(name) for name in THIRD_LINE if name not in used.columns]
    return used.with_columns(none).filter(pl.col("site_id").is_in(homes)).select(columns)


@pytest.mark.parametrize("homes", [["a"], ["b", "a"], ["a", "b", "c"], ["b", "never there"], []])
def test_rows_are_those_that_the_night_uses(
    lake: Path, tmp_path: Path, con: duckdb.DuckDBPyConnection, homes: list[str]
) -> None:
    read = reader_of(lake, tmp_path).read(con, DAY, homes)

    assert read.rows.equals(night_rows(lake, homes))
    assert read.rows.height == 96 * len({"a", "b", "c"}.intersection(homes))


def test_counts_are_the_nights(lake: Path, tmp_path: Path, con: duckdb.DuckDBPyConnection) -> None:
    intake, _ = take_in(lake)
    counts = reader_of(lake, tmp_path).read(con, DAY, ["a", "b", "c"]).counts

    assert counts.rows() == [("a", 106, 96, 8, 2), ("b", 100, 96, 0, 4), ("c", 96, 96, 0, 0)]
    of_others = 96  # of the unknown home, all refused
    assert (intake.used, intake.duplicate) == (counts["used"].sum(), counts["duplicate"].sum())
    assert intake.rejected == counts["rejected"].sum() + of_others


def test_homes_read_together_and_apart_are_the_same(
    lake: Path, tmp_path: Path, con: duckdb.DuckDBPyConnection
) -> None:
    reader = reader_of(lake, tmp_path)
    together = reader.read(con, DAY, ["a", "b"])
    apart = [reader.read(con, DAY, [home]) for home in ("a", "b")]

    assert together.rows.equals(pl.concat([read.rows for read in apart]))
    assert together.counts.equals(pl.concat([read.counts for read in apart]))


def test_a_mapped_lake_and_times_in_nanoseconds_read_as_the_night_reads_them(
    tmp_path: Path, con: duckdb.DuckDBPyConnection
) -> None:
    root = build_lake(tmp_path / "lake")
    (root / "lake.toml").write_text('[intervals.columns]\nl1_w = { from = "kw", unit = "kW" }\n')
    put(root, "a.csv", rows("a", l1_w=0.3).rename({"l1_w": "kw"}))
    fine = (
        rows("b", l1_w=0.3)
        .rename({"l1_w": "kw"})
        .with_columns(pl.col("interval_start").cast(pl.Datetime("ns")))
    )
    put(root, "b.parquet", fine)

    read = reader_of(root, tmp_path).read(con, DAY, ["a", "b"])

    assert read.rows.equals(night_rows(root, ["a", "b"]))
    assert read.rows["l1_w"].unique().to_list() == [300.0]
    assert not list((tmp_path / "copies").glob("0*.parquet"))


def test_files_that_hold_none_of_the_homes_are_not_read(
    tmp_path: Path, con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = build_lake(tmp_path / "lake")
    first = put(root, "a.parquet", rows("a"))
    put(root, "b.parquet", rows("b"))
    seen: list[Path] = []
    point_at = extract.point_at
    monkeypatch.setattr(
        extract, "point_at", lambda con, paths, **how: (seen.extend(paths), point_at(con, paths, **how))
    )

    assert reader_of(root, tmp_path).read(con, DAY, ["a"]).rows.height == 96
    assert seen == [first]


def damage(path: Path, group: int) -> None:
    """Spoil a page of a row group; the footer and the other groups stay."""
    chunk = pq.read_metadata(path).row_group(group).column(2)
    start = chunk.dictionary_page_offset or chunk.data_page_offset
    content = bytearray(path.read_bytes())
    content[start : start + chunk.total_compressed_size] = b"\xff" * chunk.total_compressed_size
    path.write_bytes(bytes(content))


def test_a_file_that_the_night_refused_whole_is_refused_here_too(
    tmp_path: Path, con: duckdb.DuckDBPyConnection
) -> None:
    """The part with these homes can be read, but the night used none of it."""
    root = build_lake(tmp_path / "lake")
    put(root, "a.parquet", rows("a"))
    path = root / "intervals" / f"date={DAY}" / "late.parquet"
    pl.concat([rows("a", l1_w=111.0), rows("b")]).write_parquet(path, row_group_size=96)
    damage(path, 1)
    store = Store(tmp_path / "store")
    night(root, store, as_of=DAY)
    assert reader_of(root, tmp_path).read(con, DAY, ["a"]).rows["l1_w"][0] == 111.0
    expected = night_rows(root, ["a"])

    read = reader_of(root, tmp_path, store).read(con, DAY, ["a"])

    assert read.rows.equals(expected)
    assert read.rows["l1_w"][0] == 300.0


def test_other_rows_than_the_night_used_are_an_error(
    tmp_path: Path, con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = build_lake(tmp_path / "lake")
    put(root, "a.parquet", rows("a"))
    store = Store(tmp_path / "store")
    night(root, store, as_of=DAY)

    assert reader_of(root, tmp_path, store).read(con, DAY, ["a", "b"]).rows.height == 96
    used = NightUsed(pl.DataFrame({"site_id": ["a"], "used": [95]}), is_probed=False)
    monkeypatch.setattr(extract, "night_used", lambda *_, **__: used)
    with pytest.raises(NightFailed, match=rf"date={DAY}: it has other rows of a home than the night used"):
        reader_of(root, tmp_path, store).read(con, DAY, ["a", "b"])


def test_a_day_whose_files_change_meanwhile_is_read_again(
    tmp_path: Path, con: duckdb.DuckDBPyConnection
) -> None:
    root = build_lake(tmp_path / "lake")
    put(root, "a.parquet", rows("a"))
    reader, tries = reader_of(root, tmp_path), []

    def work(opened: OpenedDay) -> HomeRows:
        read = opened.read(["a"])
        if not tries:
            put(root, "b.parquet", rows("a", l1_w=5.0), arrived_h=2)
        tries.append(read.rows["l1_w"][0])
        return read

    assert reader.of_day(con, DAY, work).rows["l1_w"][0] == 5.0
    assert tries == [300.0, 5.0]

    def never_rests(opened: OpenedDay) -> HomeRows:
        put(root, f"c{len(tries)}.parquet", rows("b"), arrived_h=3)
        tries.append(0.0)
        return opened.read(["a"])

    with pytest.raises(NightFailed, match="files keep changing"):
        reader.of_day(con, DAY, never_rests)


def test_homes_at_once_follow_from_the_rows_of_a_home(
    tmp_path: Path, con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = build_lake(tmp_path / "lake")
    put(root, "a.parquet", pl.concat([rows("a", minutes=5), rows("b", minutes=5)]))
    monkeypatch.setattr(extract, "ROWS_AT_ONCE", 600)

    opened = reader_of(root, tmp_path).open(con, DAY)

    assert opened.homes_at_once == 2
    assert reader_of(root, tmp_path).open(con, DAY + timedelta(days=1)).homes_at_once == 600
