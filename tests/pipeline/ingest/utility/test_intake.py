"""What was written of invented homes is what is read of the lake; each row is counted once."""

from contextlib import suppress
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from utility_feeds import (
    AS_OF,
    START,
    T0,
    block,
    counts,
    entry,
    feed,
    home_rows,
    lake_with,
    meter,
    point,
    put_file,
    reading,
    reading_type,
    rejects,
    take,
)

from pipeline.core.errors import NightFailed
from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.utility import UTILITY, UtilityIntake
from pipeline.ingest.utility.espi_readings import read_espi
from pipeline.ingest.utility.layout import FILE_FACTS
from pipeline.simulate.utility_files import write_espi, write_meter_csv


def invented(seed: int, *, step: float = 1.0, count: int = 96) -> pl.DataFrame:
    """Two homes' rows; one of them at a time is zero, so that their net says the same."""
    rng = np.random.default_rng(seed)
    homes = []
    for site_id in ("a", "b"):
        net = rng.integers(-900, 900, count) * step
        values = [(max(one, 0.0), max(-one, 0.0)) for one in net.round(6).tolist()]
        homes.append(home_rows(site_id, values))
    return pl.concat(homes)


@pytest.mark.parametrize("power_of_ten", [-3, -2, -1, 0, 1, 2, 3])
@pytest.mark.parametrize("is_net", [False, True])
def test_a_feed_reads_back_as_it_was_written(tmp_path: Path, power_of_ten: int, is_net: bool) -> None:
    step = 10.0**power_of_ten
    written = invented(1, step=step)
    if power_of_ten > 1:  # no more than the homes' services carry
        most = 180 if power_of_ten == 2 else 18
        written = written.with_columns((pl.col("import_wh", "export_wh") / step).clip(0, most) * step)
    lake = lake_with(tmp_path)
    write_espi(lake / "utility" / "f.xml.gz", written, power_of_ten=power_of_ten, is_net=is_net, shuffle=5)
    put_file(lake, "f.xml.gz")
    intake = take(lake, tmp_path)
    readings = written.height * (1 if is_net else 2)
    assert counts(intake) == (readings, readings, 0, 0)
    read = intake.rows(["b", "a"])
    assert read.schema == UTILITY
    assert_frame_equal(read.drop("step_wh"), written, check_exact=True)
    assert read["step_wh"].unique().to_list() == pytest.approx([step])


def test_plain_rows_read_back_as_they_were_written(tmp_path: Path) -> None:
    written = invented(2)
    lake = lake_with(tmp_path)
    write_meter_csv(lake / "utility" / "m.csv.gz", written)
    put_file(lake, "m.csv.gz")
    intake = take(lake, tmp_path)
    assert counts(intake) == (written.height, written.height, 0, 0)
    assert_frame_equal(intake.rows(["a", "b"]).drop("step_wh"), written, check_exact=True)


def test_late_blocks_correct_and_what_is_sent_again_is_a_duplicate(tmp_path: Path) -> None:
    first, late = invented(3), invented(4).filter(pl.col("interval_start") < START + timedelta(hours=6))
    lake = lake_with(tmp_path)
    folder = lake / "utility"
    # the file that came last is not the one published last
    write_espi(folder / "late.xml", late, published=datetime(2025, 6, 3))
    write_espi(folder / "first.xml", first, published=datetime(2025, 6, 2), shuffle=1)
    put_file(lake, "late.xml", arrived_h=0)
    put_file(lake, "first.xml", arrived_h=9)
    intake = take(lake, tmp_path)
    again = 2 * late.height
    assert counts(intake) == (2 * first.height + again, 2 * first.height, again, 0)
    put_right = pl.concat([late, first]).unique(["site_id", "interval_start"], keep="first")
    assert_frame_equal(
        intake.rows(["a", "b"]).drop("step_wh"), put_right.sort("site_id", "interval_start"), check_exact=True
    )


@given(
    values=st.lists(st.integers(-180, 180), min_size=1, max_size=12),
    gone=st.sets(st.integers(0, 11)),
    power_of_ten=st.integers(-3, 2),
    is_net=st.booleans(),
    shuffle=st.integers(0, 99),
    copies=st.integers(1, 2),
)
@settings(max_examples=15, deadline=None)
def test_whatever_order_gaps_and_copies_a_feed_reads_back(
    tmp_path_factory: pytest.TempPathFactory,
    values: list[int],
    gone: set[int],
    power_of_ten: int,
    is_net: bool,
    shuffle: int,
    copies: int,
) -> None:
    tmp_path = tmp_path_factory.mktemp("feed")
    step = 10.0**power_of_ten
    pairs = [(round(max(one, 0) * step, 6), round(max(-one, 0) * step, 6)) for one in values]
    whole = home_rows("a", pairs)
    written = whole.filter(~pl.int_range(pl.len()).is_in(list(gone)))
    lake = lake_with(tmp_path)
    for copy in range(copies):
        write_espi(
            lake / "utility" / f"{copy}.xml",
            written,
            power_of_ten=power_of_ten,
            is_net=is_net,
            shuffle=shuffle,
        )
        put_file(lake, f"{copy}.xml", arrived_h=copy)
    intake = take(lake, tmp_path)
    readings = written.height * (1 if is_net else 2)
    assert counts(intake) == (copies * readings, readings, (copies - 1) * readings, 0)
    assert_frame_equal(intake.rows(["a"]).drop("step_wh"), written)


@given(cut=st.integers(0, 1500), junk=st.binary(min_size=0, max_size=6), length=st.integers(0, 8))
@settings(max_examples=150, deadline=None)
def test_a_damaged_feed_is_read_or_refused_and_never_breaks(
    tmp_path_factory: pytest.TempPathFactory, cut: int, junk: bytes, length: int
) -> None:
    folder = tmp_path_factory.mktemp("damaged")
    text = feed().encode()
    (folder / "f.xml").write_bytes(text[:cut] + junk + text[cut + length :])
    with suppress(UnusableFileError):
        rows = pl.concat(read_espi(folder / "f.xml", folder))
        good = rows.filter(pl.col("reason").is_null())
        assert good.select(pl.any_horizontal("import_wh", "export_wh", "net_wh").is_not_null().all()).item()


def test_without_the_folder_nothing_comes_in(tmp_path: Path) -> None:
    lake = lake_with(tmp_path)
    (lake / "utility").rmdir()
    intake = take(lake, tmp_path)
    assert (counts(intake), intake.tables, intake.reject_files) == ((0, 0, 0, 0), (), ())
    assert intake.rows(["a"]).schema == UTILITY
    assert intake.files.schema == FILE_FACTS


def test_files_that_can_not_be_read_are_one_reject_each_and_the_rest_goes_on(tmp_path: Path) -> None:
    files = {
        "bad.xml": "<feed",
        "ok.xml": feed(),
        "bad.csv": "x,y\n1,2\n",
        "bad.parquet": "PAR1",
        "notes.pdf": "x",
    }
    lake = lake_with(tmp_path, files)
    (lake / "utility" / "2025").mkdir()
    (lake / "utility" / ".part").write_text("x")
    intake = take(lake, tmp_path)
    assert counts(intake) == (2, 2, 0, 0)
    told = rejects(intake)
    assert [(file, row) for file, row, _ in told] == [
        ("utility/bad.xml", None), ("utility/bad.csv", None), ("utility/bad.parquet", None),
    ]  # fmt: skip
    assert told[0][2].startswith("the file cannot be read as XML (")
    assert (
        told[1][2]
        == "the file has no column 'usage_point'; say usage_point in [utility.columns] of lake.toml"
    )
    assert intake.not_read == (
        ("utility/2025", "a folder; it is not read"),
        ("utility/notes.pdf", "not one of .xml, .xml.gz, .parquet, .csv, .csv.gz; it is not read"),
    )


def test_a_reject_says_what_was_read_and_no_more(tmp_path: Path) -> None:
    readings = (reading(), reading(T0 + 900, "x"), reading(T0 + 86_400, 7))
    lake = lake_with(tmp_path, {"f.xml": feed(point(), meter(), reading_type(), block(*readings))})
    intake = take(lake, tmp_path)
    assert counts(intake) == (3, 1, 0, 2)
    frame = pl.concat([pl.read_parquet(path) for path in intake.reject_files])
    assert frame.select("source_row", "reason").rows() == [
        (2, "value 'x' is not a whole number"),
        (3, "2025-06-02 00:00 lies after the as-of day"),
    ]
    assert frame["row"].to_list() == [
        '{"usage_point":"RetailCustomer/7/UsagePoint/a","start":"1748736900","duration":"900","value":"x","quality":"0"}',
        '{"usage_point":"RetailCustomer/7/UsagePoint/a","interval_start":"2025-06-02T00:00:00Z","minutes":15,'
        '"import_wh":7.0,"export_wh":null,"net_wh":null}',
    ]


def test_no_customer_is_in_any_table(tmp_path: Path) -> None:
    private = "Ada Example"
    customer = entry(
        "Customer", "Customer/1", body=f"<name>{private}</name>", more=f"<title>{private}</title>"
    )
    rows = f"usage_point,interval_start,import_wh,name\nz,2025-06-01 00:00,1,{private}\nz,x,1,{private}\nz,{private}\n"
    titled = entry("UsagePoint", "UsagePoint/q", more=f"<title>{private}</title>")
    files = {
        "f.xml": feed(
            customer, titled, meter("UsagePoint/q"), reading_type(), block(reading(), reading(value="x"))
        ),
        "m.csv": rows,
    }
    intake = take(lake_with(tmp_path, files), tmp_path)
    assert intake.rejected == intake.rows_in == 5
    stored = [path for folder in ("work", "store") for path in (tmp_path / folder).rglob("*.parquet")]
    assert len(stored) >= 3
    assert all("Ada" not in str(pl.read_parquet(path).to_dicts()) for path in stored)


def test_meters_joins_usage_points_to_homes(tmp_path: Path) -> None:
    meters = "site_id,usage_point,kind\nb,m-1,net\nb,m-2,import\nnobody,m-3,net\n"
    rows = "usage_point,interval_start,import_wh\n" + "".join(
        f"{name},2025-06-01 0{hour}:{minute},{hour}\n"
        for hour, name in enumerate(("m-1", "m-2", "m-3", "a"))
        for minute in ("00", "15")
    )
    lake = lake_with(tmp_path, {"m.csv": rows}, meters=meters)
    intake = take(lake, tmp_path)
    assert counts(intake) == (8, 6, 0, 2)
    assert intake.rows(["a", "b"])["site_id"].to_list() == ["a"] * 2 + ["b"] * 4
    assert {reason for _, _, reason in rejects(intake)} == {
        "unknown home: usage point 'm-3' is in no row of meters and is no site_id"
    }
    assert intake.files.select("usage_point", "site_id", "rows", "used", "rejected", "minutes").rows() == [
        ("a", "a", 2, 2, 0, 15), ("m-1", "b", 2, 2, 0, 15), ("m-2", "b", 2, 2, 0, 15), ("m-3", None, 2, 0, 2, None),
    ]  # fmt: skip


def test_facts_say_what_a_file_holds(tmp_path: Path) -> None:
    lake = lake_with(tmp_path)
    write_espi(lake / "utility" / "f.xml", home_rows("a", [(10.0, 0.0), (20.0, 30.0), (None, 40.0)]))
    put_file(lake, "f.xml")
    facts = take(lake, tmp_path).files.drop("usage_point").row(0, named=True)
    assert facts == {
        "source_file": "utility/f.xml", "site_id": "a", "rows": 5, "used": 5, "duplicate": 0, "rejected": 0,
        "first_start": START, "last_start": START + timedelta(minutes=30), "minutes": 15, "step_wh": 10.0,
    }  # fmt: skip


def test_a_fleet_in_parts_comes_to_the_same(tmp_path: Path) -> None:
    lake = lake_with(tmp_path)
    written = invented(6)
    for site_id in ("a", "b"):
        write_espi(lake / "utility" / f"{site_id}.xml", written.filter(pl.col("site_id") == site_id))
        put_file(lake, f"{site_id}.xml")
    write_meter_csv(lake / "utility" / "all.csv", written)
    put_file(lake, "all.csv")
    whole, parts = take(lake, tmp_path / "whole"), take(lake, tmp_path / "parts", rows_at_once=100)
    assert (len(whole.tables), len(parts.tables)) == (1, 2)
    assert counts(parts) == counts(whole)
    assert_frame_equal(parts.rows(["a", "b"]), whole.rows(["a", "b"]))
    assert_frame_equal(parts.files, whole.files)
    assert parts.rows(["b"])["site_id"].unique().to_list() == ["b"]


def test_an_earlier_night_knows_no_later_reading(tmp_path: Path) -> None:
    lake = lake_with(tmp_path, {"f.xml": feed()})
    assert counts(take(lake, tmp_path, date(2025, 5, 31))) == (2, 0, 0, 2)
    assert counts(take(lake, tmp_path, AS_OF)) == (2, 2, 0, 0)


def test_counts_that_do_not_add_up_fail_the_night() -> None:
    with pytest.raises(NightFailed, match="the rows don't add up"):
        UtilityIntake(3, 1, 1, 0, (), (), pl.DataFrame(schema=FILE_FACTS))


def test_the_same_twice_gives_the_same_bytes(tmp_path: Path) -> None:
    lake = lake_with(tmp_path, {"f.xml": feed()})
    first, second = (take(lake, tmp_path / name).tables[0].read_bytes() for name in ("one", "two"))
    assert first == second
