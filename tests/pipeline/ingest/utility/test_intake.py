"""Each row of the lake's utility files is counted once, and told if it is not used."""

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
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
    invented,
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
from pipeline.ingest.utility import UTILITY, UtilityIntake
from pipeline.ingest.utility import intake as intake_module
from pipeline.ingest.utility.layout import FILE_FACTS
from pipeline.ingest.utility.settle import settle
from pipeline.simulate.utility_files import write_espi, write_meter_csv


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


def test_homes_are_settled_once_until_something_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settled = []

    def count(rows: pl.DataFrame, *, as_of: date) -> tuple[pl.DataFrame, pl.DataFrame]:
        settled.append(rows.height)
        return settle(rows, as_of=as_of)

    monkeypatch.setattr(intake_module, "settle", count)
    lake = lake_with(tmp_path, {"f.xml": feed()})

    def times(as_of: date = AS_OF) -> int:
        settled.clear()
        first = take(lake, tmp_path, as_of)
        assert first.files["used"].sum() == first.used
        return len(settled)

    assert (times(), times()) == (1, 0)
    # a later night has nothing new to say of readings that were all known before
    assert times(date(2025, 6, 2)) == 0
    assert times(date(2025, 5, 31)) == 1
    assert times(date(2025, 5, 30)) == 1
    put_file(lake, "f.xml", arrived_h=3)
    assert times() == 1
    (lake / "meters.csv").write_text("site_id,usage_point,kind\na,a,import\n", encoding="utf-8")
    assert times() == 1
    sites = (lake / "sites.csv").read_text(encoding="utf-8")
    (lake / "sites.csv").write_text(sites.replace(",200,", ",400,"), encoding="utf-8")
    assert times() == 1
    assert len(list((tmp_path / "store" / "utility" / "settled").iterdir())) == 1


@pytest.mark.parametrize(
    ("service", "is_summed", "used"),
    [("230/400", False, 1), ("230/400", True, 1), ("230", False, 0), ("120/240", False, 0)],
)
def test_a_meter_counts_what_all_lines_of_the_service_carry(
    service: str, is_summed: bool, used: int, tmp_path: Path
) -> None:
    toml = f'[utility]\nminutes = 15\n[sites]\nservice = {{ always = "{service}" }}\n'
    toml += f"lines_summed = {{ always = {str(is_summed).lower()} }}\n"
    files = {"m.csv": f"usage_point,interval_start,net_wh\na,{START},100000\n"}
    assert counts(take(lake_with(tmp_path, files, toml=toml), tmp_path)) == (1, used, 0, 1 - used)
