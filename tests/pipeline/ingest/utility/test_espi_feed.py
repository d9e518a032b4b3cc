"""What streams by of a feed is taken or passed over; what is not whole or not harmless is refused in one line."""

import gzip
import tracemalloc
from pathlib import Path

import polars as pl
import pytest
from utility_feeds import POINT, block, entry, feed, meter, point, reading, reading_type

from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.utility.espi_feed import Entry, read_feed


def read(tmp_path: Path, text: str | bytes, name: str = "f.xml") -> tuple[dict[int, Entry], pl.DataFrame]:
    path = tmp_path / name
    content = text if isinstance(text, bytes) else text.encode()
    path.write_bytes(gzip.compress(content) if name.endswith(".gz") else content)
    pieces: list[pl.DataFrame] = []
    entries = read_feed(path, pieces.append)
    return entries, pl.concat(pieces) if pieces else pl.DataFrame()


@pytest.mark.parametrize("name", ["f.xml", "f.xml.gz"])
def test_entries_keep_their_links_and_codes_and_readings_their_texts(tmp_path: Path, name: str) -> None:
    entries, readings = read(tmp_path, feed(), name)
    assert [one.kind for one in entries.values()] == [
        "UsagePoint", "MeterReading", "ReadingType", "IntervalBlock",
    ]  # fmt: skip
    assert (entries[1].self_link, entries[1].said) == (POINT, {"service": "0"})
    assert (entries[2].up, entries[2].related) == ([POINT], ["ReadingType/1"])
    assert entries[3].said["uom"] == "72"
    assert readings.rows() == [
        (1, 4, "1748736000", "900", "100", None),
        (2, 4, "1748736900", "900", "110", None),
    ]


def test_links_are_the_same_with_and_without_server(tmp_path: Path) -> None:
    text = feed(meter("https://utility.example/" + POINT + "/", ("/ReadingType/1",)))
    entries, _ = read(tmp_path, text)
    assert (entries[1].up, entries[1].related) == ([POINT], ["ReadingType/1"])


def test_customers_are_passed_over(tmp_path: Path) -> None:
    private = "Ada Example, 1 Secret Street"
    customer = (
        f'<Customer xmlns="http://naesb.org/espi/customer"><name>{private}</name>'
        f"<streetAddress>{private}</streetAddress></Customer>"
    )
    service = f"<ServiceCategory><kind>0</kind><name>{private}</name></ServiceCategory>"
    titled = entry(
        "UsagePoint", POINT, body=service, more=f"<title>{private}</title><author>{private}</author>"
    )
    told = block(reading(more=f"<description>{private}</description>"))
    text = feed(
        f"<entry><title>{private}</title><content>{customer}</content></entry>",
        titled, meter(), reading_type(), told,
    )  # fmt: skip
    entries, readings = read(tmp_path, text)
    assert len(entries) == 4
    assert "Secret" not in str(entries)
    assert "Secret" not in str(readings.to_dicts())


def test_a_text_that_holds_an_element_is_no_number(tmp_path: Path) -> None:
    _, readings = read(tmp_path, feed(block(reading(value="1<b>2</b>3"))))
    assert readings["value"].to_list() == ["?"]


def test_a_text_is_one_line(tmp_path: Path) -> None:
    _, readings = read(tmp_path, feed(block(reading(value="\n 1\n2 "))))
    assert readings["value"].to_list() == ["1 2"]


def test_what_stands_twice_is_kept_twice(tmp_path: Path) -> None:
    quality = "<ReadingQuality><quality>8</quality></ReadingQuality>"
    _, readings = read(tmp_path, feed(block(reading(more=f"<value>7</value>{quality}{quality}"))))
    assert readings.select("value", "quality").row(0) == ("100,7", "8,8")


BOMB = '<!DOCTYPE f [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]>'
OUTSIDE = '<!DOCTYPE f [<!ENTITY x SYSTEM "file:///etc/passwd">]>'


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (BOMB + feed().replace("100", "&b;"), "has a document type or entities"),
        (OUTSIDE + feed().replace("100", "&x;"), "has a document type or entities"),
        ('<!DOCTYPE feed SYSTEM "https://e.example/f.dtd">' + feed(), "has a document type or entities"),
        (feed()[:-30], "cannot be read as XML ("),
        (feed().replace("100", "&b;"), "cannot be read as XML (undefined entity"),
        ("", "cannot be read as XML (no element found"),
        ("not xml", "cannot be read as XML (syntax error"),
        ("<html><body/></html>", "is no ESPI feed: its root element is not feed of Atom"),
        ("<feed>" + feed()[6:], "is no ESPI feed"),
        (feed(f"{'<x>' * 200}{'</x>' * 200}"), "nests elements more than 100 deep"),
        (
            b'<?xml version="1.0" encoding="x-none"?>' + feed().encode(),
            "cannot be read as XML (unknown encoding",
        ),
        (feed().encode("utf-16")[:-1], "cannot be read as XML ("),
    ],
)
def test_what_is_not_whole_or_harmless_is_refused_in_one_line(
    tmp_path: Path, text: str | bytes, why: str
) -> None:
    with pytest.raises(UnusableFileError) as refused:
        read(tmp_path, text)
    assert str(refused.value).startswith(why)
    assert "\n" not in str(refused.value)


def test_a_gzip_cut_short_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "f.xml.gz"
    path.write_bytes(gzip.compress(feed().encode())[:-20])
    with pytest.raises(UnusableFileError, match="cannot be read as XML"):
        read_feed(path, lambda frame: None)


def test_a_gzip_bomb_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.ingest.utility.espi_feed._MOST_UNPACKED", 2**20)
    path = tmp_path / "f.xml.gz"
    path.write_bytes(gzip.compress(feed().encode() + b" " * 2**22))
    with pytest.raises(UnusableFileError, match="unpacks to more than 1048576 bytes"):
        read_feed(path, lambda frame: None)


def test_a_long_feed_takes_no_more_memory_than_a_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.ingest.utility.espi_feed._PIECE_ROWS", 1000)
    peaks = []
    for readings in (2_000, 20_000):
        day = [reading(900 * at) for at in range(1000)]
        blocks = [block(*day, number=number) for number in range(readings // 1000)]
        path = tmp_path / f"{readings}.xml"
        path.write_text(feed(*blocks))
        counted = []
        tracemalloc.start()
        read_feed(path, lambda frame, counted=counted: counted.append(frame.height))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert sum(counted) == readings
    assert peaks[1] < 1.5 * peaks[0] + 100_000


def test_blocks_without_readings_are_forgotten(tmp_path: Path) -> None:
    entries, _ = read(tmp_path, feed(point(), block(), block(reading(), number=2)))
    assert sorted(entries) == [1, 3]
