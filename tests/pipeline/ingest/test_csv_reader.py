"""No line of a delimited text is lost: it comes back as texts or as a bad row with its number."""

import gzip
from pathlib import Path

import polars as pl
import pytest

from pipeline.ingest import csv_reader
from pipeline.ingest.csv_reader import (
    REASON,
    ROW,
    TEXT,
    UnusableFileError,
    header,
    read_delimited,
    with_plain_names,
)


def write(folder: Path, content: str | bytes, name: str = "x.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def test_rows_are_texts_numbered_from_one_blank_lines_not_counted(tmp_path: Path) -> None:
    rows, bad = read_delimited(write(tmp_path, "\ufeffa,b\r\n1, x\r\n\r\n,007\r\n"), is_multiline=False)
    assert rows.to_dict(as_series=False) == {"a": ["1", ""], "b": [" x", "007"], ROW: [1, 2]}
    assert bad.height == 0


def test_a_line_with_the_wrong_number_of_fields_is_kept_as_a_bad_row(tmp_path: Path) -> None:
    rows, bad = read_delimited(write(tmp_path, "a,b\n1,2\n3\n4,5,6\n7,8\n"), is_multiline=False)
    assert rows[ROW].to_list() == [1, 4]
    assert bad.select(ROW, TEXT).rows() == [(2, "3"), (3, "4,5,6")]
    assert bad[REASON][0] == "malformed: 1 fields where the header has 2"


def test_a_malformed_line_that_is_no_utf_8_is_not_dropped_in_silence(tmp_path: Path) -> None:
    """The parser would leave out such a line, and only tell so on the terminal."""
    with pytest.raises(UnusableFileError, match="cannot be read as delimited text"):
        read_delimited(write(tmp_path, b"a,b\n1,2\n\xd7\n"), is_multiline=False)


def test_a_gzip_bomb_is_refused_before_anything_holds_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(csv_reader, "_MOST_UNPACKED", 100_000)
    path = write(tmp_path, gzip.compress(b"a,b\n" + b"1" * 3_000_000), "x.csv.gz")
    for read in (header, lambda path: read_delimited(path, is_multiline=False)):
        with pytest.raises(UnusableFileError, match="unpacks to more than"):
            read(path)


def test_plain_names_are_lower_case_and_each_its_own() -> None:
    rows = pl.DataFrame({" Truck_ID": ["T1"], ROW: [1]})
    assert with_plain_names(rows).columns == ["truck_id", ROW]
    with pytest.raises(UnusableFileError, match="has the column 'hours' twice, as 'Hours' and 'hours '"):
        with_plain_names(pl.DataFrame({"Hours": ["8"], "hours ": ["9"]}))


def test_a_quote_that_is_never_closed_swallows_no_row(tmp_path: Path) -> None:
    path = write(tmp_path, 'a,b\n1,"2\n3,4\n5,6\n')
    rows, bad = read_delimited(path, is_multiline=False)
    assert rows.height + bad.height == 3
    assert rows["a"].to_list() == ["1", "3", "5"]


def test_a_note_may_run_over_lines_where_that_is_asked_for(tmp_path: Path) -> None:
    rows, _ = read_delimited(write(tmp_path, 'a,b\n1,"two\nlines"\n3,4\n'), is_multiline=True)
    assert rows["b"].to_list() == ["two\nlines", "4"]


@pytest.mark.parametrize("text", ["a,b", "a,b\n", "a,b\r\n\r\n"])
def test_a_header_alone_is_no_rows(tmp_path: Path, text: str) -> None:
    rows, bad = read_delimited(write(tmp_path, text), is_multiline=False)
    assert (rows.columns, rows.height, bad.height) == (["a", "b", ROW], 0, 0)


def test_gzip_and_another_delimiter(tmp_path: Path) -> None:
    path = write(tmp_path, gzip.compress(b"a;b\n1;2,5\n"), "x.csv.gz")
    rows, _ = read_delimited(path, ";", is_multiline=False)
    assert rows["b"].to_list() == ["2,5"]
    assert header(path, ";") == ["a", "b"]


@pytest.mark.parametrize(
    ("content", "name", "told"),
    [
        ("", "x.csv", "is empty: there is no header line"),
        ("a,a\n1,2\n", "x.csv", "has the column 'a' twice"),
        (b"a,b\n1,\xff\n", "x.csv", "cannot be read as delimited text"),
        (b"PK\x03\x04\x99\x88\n,,", "x.csv", "cannot be read as delimited text"),
        (
            gzip.compress(b"a,b\n" + b"1,2\n" * 5000, mtime=0)[:-20],
            "x.csv.gz",
            "cannot be read as delimited text",
        ),
        ("a,b\n1,2\n", "x.csv.gz", "cannot be read as delimited text"),
    ],
)
def test_a_file_that_is_no_text_is_unusable_as_a_whole(
    tmp_path: Path, content: str | bytes, name: str, told: str
) -> None:
    with pytest.raises(UnusableFileError, match=told):
        read_delimited(write(tmp_path, content, name), is_multiline=False)
