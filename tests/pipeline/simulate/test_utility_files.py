"""The writer's files have the form of the standard, in the order it was asked for."""

import gzip
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from defusedxml.ElementTree import fromstring

from pipeline.simulate.utility_files import write_espi, write_meter_csv

ATOM, ESPI = "{http://www.w3.org/2005/Atom}", "{http://naesb.org/espi}"
KINDS = ("UsagePoint", "MeterReading", "ReadingType", "IntervalBlock")


def rows(count: int = 200) -> pl.DataFrame:
    starts = [datetime(2025, 6, 1) + timedelta(minutes=15 * at) for at in range(count)]
    return pl.DataFrame(
        {
            "site_id": "a&b", "interval_start": starts, "minutes": 15,
            "import_wh": [float(at) for at in range(count)], "export_wh": [0.25] * count,
        }
    ).cast({"interval_start": pl.Datetime("us")})  # fmt: skip


def entries(path: Path) -> list[tuple[str, dict[str, list[str]]]]:
    """The kind of each entry and the targets of its links by what they are."""
    root = fromstring(path.read_text(encoding="utf-8"))
    assert root.tag == f"{ATOM}feed"
    found = []
    for entry in root.iter(f"{ATOM}entry"):
        kind = entry.find(f"{ATOM}content")[0].tag.removeprefix(ESPI)
        links: dict[str, list[str]] = {}
        for link in entry.iter(f"{ATOM}link"):
            links.setdefault(link.get("rel"), []).append(link.get("href"))
        found.append((kind, links))
    return found


def test_a_feed_has_a_usage_point_a_meter_reading_a_register_and_a_block_a_day(tmp_path: Path) -> None:
    write_espi(tmp_path / "f.xml", rows())
    found = entries(tmp_path / "f.xml")
    assert [sum(kind == one for one, _ in found) for kind in KINDS] == [1, 2, 2, 6]
    links = [link for _, link in found]
    own = {link["self"][0] for link in links}
    assert len(own) == len(found)
    meters = [link for kind, link in found if kind == "MeterReading"]
    blocks = [link for kind, link in found if kind == "IntervalBlock"]
    assert {link["up"][0] for link in blocks} == {link["related"][0] for link in meters}
    assert {link["related"][1] for link in meters} <= own


def test_one_register_of_net_values_in_the_asked_power_of_ten(tmp_path: Path) -> None:
    write_espi(tmp_path / "f.xml", rows(4), is_net=True, power_of_ten=-2)
    text = (tmp_path / "f.xml").read_text(encoding="utf-8")
    assert [part.split("<")[0] for part in text.split("<value>")[1:]] == ["-25", "75", "175", "275"]
    assert "<flowDirection>4</flowDirection>" in text
    assert "<powerOfTenMultiplier>-2</powerOfTenMultiplier>" in text


def test_a_shuffled_feed_has_the_same_entries(tmp_path: Path) -> None:
    write_espi(tmp_path / "f.xml", rows())
    write_espi(tmp_path / "g.xml", rows(), shuffle=4)
    first, second = entries(tmp_path / "f.xml"), entries(tmp_path / "g.xml")
    assert first != second
    assert sorted(map(str, first)) == sorted(map(str, second))


def test_a_null_is_left_out(tmp_path: Path) -> None:
    write_espi(tmp_path / "f.xml", rows(4).with_columns(export_wh=pl.lit(None, dtype=pl.Float64)))
    assert (tmp_path / "f.xml").read_text(encoding="utf-8").count("<IntervalReading>") == 4


def test_plain_rows_in_local_time_end_labels_and_decimal_commas(tmp_path: Path) -> None:
    write_meter_csv(
        tmp_path / "m.csv.gz",
        rows(2),
        unit="kWh",
        zone="America/Denver",
        labelled="end",
        is_net=True,
        delimiter=";",
        decimal=",",
        time_format="%d.%m.%Y %H:%M",
    )
    with gzip.open(tmp_path / "m.csv.gz", "rt", encoding="utf-8") as file:
        lines = file.read().splitlines()
    assert lines[0] == "usage_point;interval_start;net_wh"
    assert lines[1:] == ["a&b;31.05.2025 18:15;-0,00025", "a&b;31.05.2025 18:30;0,00075"]


@pytest.mark.parametrize("name", ["f.xml", "f.xml.gz"])
def test_the_same_rows_give_the_same_text(tmp_path: Path, name: str) -> None:
    texts = []
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        write_espi(tmp_path / folder / name, rows(3))
        content = (tmp_path / folder / name).read_bytes()
        texts.append(gzip.decompress(content) if name.endswith(".gz") else content)
    assert texts[0] == texts[1]
