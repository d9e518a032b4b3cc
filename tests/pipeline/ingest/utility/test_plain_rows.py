"""Plain files of a utility's meters: columns, units, local times with their clock changes, and what is refused."""

import gzip
import re
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.core.errors import InputError
from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.lake_config import read_lake_config
from pipeline.ingest.lake_words import describe
from pipeline.ingest.row_config import Utility
from pipeline.ingest.utility.plain_rows import read_plain
from pipeline.simulate.utility_files import write_meter_csv

OWN = """
[utility]
minutes = 15
labelled = "end"
zone = "America/Denver"
delimiter = ";"
decimal = ","
time_format = "%d.%m.%Y %H:%M"
empty = ["-"]
[utility.columns]
usage_point = "Meter No"
interval_start = "Read at"
import_wh = { from = "Delivered", unit = "kWh" }
export_wh = { from = "Received", unit = "kWh", sign = -1 }
"""


def utility(text: str) -> Utility:
    return read_lake_config(text, "lake.toml").utility


def read(tmp_path: Path, text: str, toml: str = "", name: str = "m.csv") -> pl.DataFrame:
    path = tmp_path / name
    path.write_bytes(gzip.compress(text.encode()) if name.endswith(".gz") else text.encode())
    return read_plain(path, utility(toml))


def test_our_own_names_need_no_mapping_and_the_length_is_found(tmp_path: Path) -> None:
    text = "usage_point,interval_start,import_wh\n" + "".join(
        f"m{home},2025-06-01T{hour:02}:{quarter}:00Z,{hour}\n"
        for home in "12" for hour in range(3) for quarter in ("00", "30")
    )  # fmt: skip
    rows = read(tmp_path, text, name="m.csv.gz")
    assert rows["reason"].null_count() == rows.height == 12
    assert set(rows["minutes"]) == {30}
    assert rows.row(3, named=True)["interval_start"] == datetime(2025, 6, 1, 1, 30)
    assert (rows["import_wh"][5], rows["export_wh"][5], rows["net_wh"][5]) == (2.0, None, None)


def test_a_utility_s_own_columns_are_mapped(tmp_path: Path) -> None:
    head = "METER NO;read at;Delivered;Received;Name\n"
    text = head + "m1;01.06.2025 00:15;0,974;-0,021;Ada\nm1;01.06.2025 00:30;-;;Ada\n"
    rows = read(tmp_path, text, OWN)
    first = rows.row(0, named=True)
    assert (first["usage_point"], first["interval_start"]) == ("m1", datetime(2025, 6, 1, 6))
    assert (first["import_wh"], first["export_wh"], first["minutes"]) == (974.0, 21.0, 15)
    assert rows["reason"].to_list() == [None, "holds no energy"]
    assert "Ada" not in str(rows.to_dicts())


def test_lake_toml_says_what_it_maps() -> None:
    assert describe(read_lake_config(OWN, "lake.toml")) == [
        "utility.usage_point: from 'Meter No'",
        "utility.interval_start: from 'Read at', time of America/Denver, the interval's end, 15 min after its start",
        "utility.import_wh: from 'Delivered' in kWh",
        "utility.export_wh: from 'Received' in kWh, sign turned",
    ]


def test_the_example_of_the_documents_is_read_as_it_says() -> None:
    readme = Path(__file__).parents[4] / "pipeline/ingest/README.md"
    example = re.search(r"```\n(\[utility\].*?)```", readme.read_text(encoding="utf-8"), re.DOTALL)
    assert example is not None
    told = describe(read_lake_config(example[1], "README.md"))
    assert told[0] == "utility.usage_point: from 'meter_no'"
    assert told[2] == "utility.import_wh: from 'delivered' in kWh"


@pytest.mark.parametrize(
    ("toml", "why"),
    [
        ("[utility]\nminute = 5", "utility.minute: unknown key; allowed: minutes, labelled, zone"),
        ("[utility.columns]\nimport = 'x'", "utility.columns.import: unknown key; allowed: usage_point"),
        (
            "[utility.columns]\nimport_wh = { from = 'x', units = 'kWh' }",
            "utility.columns.import_wh.units: unknown key; allowed: from, unit, sign",
        ),
        ("[utility.columns]\nimport_wh = { from = 'x', unit = 'MWh' }", "utility.columns.import_wh.unit: "),
        ("[utility]\nlabelled = 'end'", 'utility: labelled = "end" needs minutes'),
        ("[utility]\nzone = 'Mars'", "utility.zone: 'Mars' is neither an IANA zone"),
    ],
)
def test_nonsense_in_lake_toml_is_refused_in_one_line(toml: str, why: str) -> None:
    with pytest.raises(InputError) as refused:
        utility(toml)
    assert str(refused.value).startswith(f"lake.toml: {why}")


@pytest.mark.parametrize("labelled", ["start", "end"])
@pytest.mark.parametrize("day", [datetime(2025, 11, 2), datetime(2025, 3, 9)])
def test_every_quarter_hour_of_a_day_of_a_clock_change_comes_out_right(
    tmp_path: Path, day: datetime, labelled: str
) -> None:
    """In Denver the clock goes back at 8 h UTC in autumn, and forward at 9 h UTC in spring."""
    starts = [day + timedelta(minutes=15 * at) for at in range(96)]
    frame = pl.DataFrame(
        {
            "site_id": "m1",
            "interval_start": starts,
            "minutes": 15,
            "import_wh": 1.0 * pl.int_range(96, eager=True),
        }
    ).with_columns(pl.col("interval_start").cast(pl.Datetime("us")), export_wh=pl.lit(0.0))
    path = tmp_path / "m.csv"
    write_meter_csv(path, frame, zone="America/Denver", labelled=labelled, unit="kWh")
    toml = f"""[utility]
zone = "America/Denver"
minutes = 15
labelled = "{labelled}"
[utility.columns]
import_wh = {{ from = "import_wh", unit = "kWh" }}
export_wh = {{ from = "export_wh", unit = "kWh" }}
"""
    rows = read_plain(path, utility(toml))
    assert rows["reason"].null_count() == 96
    assert rows["interval_start"].to_list() == starts
    assert rows["import_wh"].to_list() == frame["import_wh"].to_list()


def test_an_hour_that_the_clock_skips_does_not_exist(tmp_path: Path) -> None:
    text = "usage_point,interval_start,net_wh\nm1,2025-03-09 02:15,5\nm1,2025-03-09 03:15,-5\n"
    rows = read(tmp_path, text, '[utility]\nzone = "America/Denver"\nminutes = 15')
    assert rows["reason"].to_list() == ["local time does not exist: the clock goes forward over it", None]
    assert rows["net_wh"].to_list() == [None, -5.0]


HEAD = "usage_point,interval_start,import_wh,export_wh,net_wh\n"


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (",2025-06-01 00:00,1,,", "usage_point is missing"),
        ("m,then,1,,", "interval_start: 'then' is not a time"),
        ("m,,1,,", "the time is missing"),
        ("m,2025-06-01 00:00,one,,", "import_wh: 'one' is not a number"),
        ("m,2025-06-01 00:00,nan,,", "import_wh is not a finite number"),
        ("m,2025-06-01 00:00,inf,,", "import_wh is not a finite number"),
        ("m,2025-06-01 00:00,-1,,", "import_wh -1.0 Wh is negative"),
        ("m,2025-06-01 00:00,1,-1,", "export_wh -1.0 Wh is negative"),
        ("m,2025-06-01 00:00,1,600000,", "export_wh 600000.0 Wh is beyond 500,000 Wh an interval"),
        ("m,2025-06-01 00:00,,,", "holds no energy"),
        ("m,2025-06-01 00:00,5,2,4.5", "net_wh is not import_wh less export_wh"),
        ("m,2025-06-01 00:07,5,2,3", "starts at 2025-06-01 00:07:00 UTC, not on a whole 15 min"),
        ("m,2025-06-01 00:00,5", "malformed: 3 fields where the header has 5"),
    ],
)
def test_a_row_that_can_not_be_used_has_a_reason(tmp_path: Path, row: str, why: str) -> None:
    rows = read(tmp_path, f"{HEAD}{row}\nm,2025-06-01 01:00,1,0,1\n", "[utility]\nminutes = 15")
    told = dict(rows.select("source_row", "reason").iter_rows())
    assert str(told[1]).startswith(why) or (
        why == "net_wh is not import_wh less export_wh" and told[1] is None
    )
    assert told[2] is None


def test_one_row_alone_does_not_tell_its_length(tmp_path: Path) -> None:
    rows = read(tmp_path, f"{HEAD}m,2025-06-01 00:00,1,0,\n")
    assert rows["reason"].to_list() == [
        "the interval's length can't be told from one row; say minutes in [utility] of lake.toml"
    ]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("when,import_wh\n1,2\n", "has no column 'usage_point'; say usage_point in [utility.columns]"),
        ("usage_point,import_wh\nm,2\n", "has no column 'interval_start'; say interval_start"),
        ("usage_point,interval_start\nm,2025-06-01 00:00\n", "has no column of import_wh, export_wh, net_wh"),
        ("", "is empty: there is no header line"),
        ("usage_point,usage_point\n", "has the column 'usage_point' twice"),
    ],
)
def test_a_file_without_its_columns_is_not_usable(tmp_path: Path, text: str, why: str) -> None:
    with pytest.raises(UnusableFileError) as refused:
        read(tmp_path, text)
    assert str(refused.value).startswith(why)


def test_parquet_is_read_with_its_types(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {
            "Usage_Point": ["m", "m"],
            "interval_start": [datetime(2025, 6, 1), datetime(2025, 6, 1, 0, 5)],
            "net_wh": [7, -8],
        }
    )
    frame.write_parquet(tmp_path / "m.parquet")
    rows = read_plain(tmp_path / "m.parquet", Utility())
    assert rows.select("minutes", "net_wh", "reason").rows() == [(5, 7.0, None), (5, -8.0, None)]


@pytest.mark.parametrize("content", [b"PAR1 no", b""])
def test_a_damaged_parquet_is_not_usable(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "m.parquet").write_bytes(content)
    with pytest.raises(UnusableFileError, match="cannot be read as Parquet"):
        read_plain(tmp_path / "m.parquet", Utility())


def test_a_value_of_another_type_is_its_text(tmp_path: Path) -> None:
    frame = pl.DataFrame({"usage_point": ["m"], "interval_start": [datetime(2025, 6, 1)], "net_wh": [True]})
    frame.write_parquet(tmp_path / "m.parquet")
    read = read_plain(tmp_path / "m.parquet", Utility())
    assert read["reason"].to_list() == ["net_wh: 'true' is not a number"]
