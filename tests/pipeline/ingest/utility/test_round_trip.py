"""What was written of invented homes is what is read of the lake, and damage is refused."""

from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from utility_feeds import START, counts, feed, home_rows, invented, lake_with, put_file, take

from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.utility import UTILITY
from pipeline.ingest.utility.espi_readings import read_espi
from pipeline.simulate.utility_files import write_espi, write_meter_csv


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
