"""The contract's own Parquet is read where it lies; everything else is staged, and no row is lost."""

import gzip
from datetime import datetime
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from lakes import DAY, build_lake, put, reasons, rejects_of, rows, take_in
from pyarrow.parquet import encryption

from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.lake import open_lake
from pipeline.ingest.lake_config import Intervals
from pipeline.ingest.staging import prepare, source_columns

REQUIRED = ("site_id", "interval_start", "l1_w", "l2_w", "pv_w")


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    return build_lake(tmp_path / "lake")


def prepared(lake: Path, how: Intervals | None = None) -> Path:
    """The single file of the lake's day, made readable."""
    (file,) = open_lake(lake).files(DAY)
    return prepare(file, how or Intervals(), REQUIRED, workdir=lake.parent, number=0)


@pytest.mark.parametrize(
    "frame",
    [
        rows("a"),
        rows("a").with_columns(
            pl.col("l1_w").cast(pl.Int32), pl.col("interval_start").cast(pl.Datetime("ns"))
        ),
        rows("a").with_columns(pl.col("site_id").cast(pl.Categorical), note=pl.lit("extra columns are fine")),
    ],
)
def test_the_contracts_parquet_is_read_in_place(lake: Path, frame: pl.DataFrame) -> None:
    path = put(lake, "1.parquet", frame)
    assert prepared(lake) == path
    intake, _ = take_in(lake)
    assert intake.used == 96


@pytest.mark.parametrize(
    "frame",
    [
        rows("a").with_columns(pl.col("l1_w").cast(pl.String)),
        rows("a").with_columns(pl.col("interval_start").dt.strftime("%Y-%m-%d %H:%M")),
        rows("a").with_columns(pl.col("site_id").cast(pl.Binary).cast(pl.String), file_row_number=pl.lit(7)),
        rows("a").with_columns(parts=pl.concat_list("l1_w", "l2_w")),
    ],
)
def test_other_parquet_is_staged(lake: Path, frame: pl.DataFrame) -> None:
    path = put(lake, "1.parquet", frame)
    assert prepared(lake) != path
    intake, used = take_in(lake)
    assert intake.used == 96
    assert used["l1_w"].unique().to_list() == [300.0]


def test_files_of_all_kinds_make_one_day(lake: Path) -> None:
    day = rows("a")
    put(lake, "1.parquet", day[:30])
    put(lake, "2.csv", day[30:60])
    put(lake, "3.csv.gz", gzip.compress(day[60:].write_csv().encode()))
    intake, used = take_in(lake)
    assert (intake.rows_in, intake.used) == (96, 96)
    assert used["interval_start"].equals(day["interval_start"])


def test_staged_copies_are_removed(lake: Path) -> None:
    put(lake, "2.csv", rows("a"))
    take_in(lake)
    assert not list((lake.parent / "work").glob("0*.parquet"))


def test_every_line_of_a_csv_ends_up_somewhere(lake: Path) -> None:
    lines = rows("b").head(6).write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ").splitlines()
    lines[2] = lines[2].replace("300.0", "n.a.")
    lines[4] += ",surplus"
    lines[5] = "b,2025-06-01T01:00:00Z,1"
    put(lake, "1.csv", "\n".join(lines) + "\n")
    intake, used = take_in(lake)
    assert (intake.rows_in, intake.used, intake.rejected) == (6, 3, 3)
    assert rejects_of(intake).select("source_row", "reason").rows() == [
        (2, "l1_w: 'n.a.' is not a number"),
        (4, "malformed: 6 fields where the header has 5"),
        (5, "malformed: 3 fields where the header has 5"),
    ]
    assert rejects_of(intake)["row"][2] == "b,2025-06-01T01:00:00Z,1"
    assert '"l1_w":"n.a."' in rejects_of(intake)["row"][0]
    assert used.height == 3


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("1.csv", "", "the file is empty"),
        (
            "1.csv",
            "site_id,interval_start,l1_w,l2_w\na,2025-06-01T00:00:00Z,1,1\n",
            "the file has no column pv_w",
        ),
        ("1.csv.gz", "not gzip", "the file cannot be read as delimited text"),
        ("1.parquet", "", "the file cannot be read as Parquet"),
        ("1.parquet", b"PAR1" + b"\0" * 40 + b"PAR1", "the file cannot be read as Parquet"),
        ("1.parquet", b"PARE" + b"\0" * 40 + b"PARE", "the file is encrypted; send it unencrypted"),
    ],
)
def test_an_unusable_file_is_one_reject_without_a_row(
    lake: Path, name: str, content: str | bytes, told: str
) -> None:
    put(lake, name, content)
    put(lake, "good.parquet", rows("b"))
    intake, _ = take_in(lake)
    assert intake.used == 96
    (reason,) = reasons(intake)
    assert reason.startswith(told)
    assert rejects_of(intake).select("source_row", "row").row(0) == (None, None)


class PlainKeys(encryption.KmsClient):
    """Wraps keys by not hiding them: a test's key is no secret."""

    def wrap_key(self, key_bytes: bytes, master_key_identifier: str) -> bytes:
        return key_bytes.hex().encode()


@pytest.mark.parametrize("is_footer_plain", [True, False])
def test_an_encrypted_file_is_one_reject_that_says_so(lake: Path, is_footer_plain: bool) -> None:
    how = encryption.EncryptionConfiguration(
        footer_key="f", column_keys={"c": ["l1_w"]}, plaintext_footer=is_footer_plain
    )
    keys = encryption.CryptoFactory(lambda config: PlainKeys())
    properties = keys.file_encryption_properties(encryption.KmsConnectionConfig(), how)
    out = pa.BufferOutputStream()
    pq.write_table(rows("a").to_arrow(), out, encryption_properties=properties)
    put(lake, "1.parquet", bytes(out.getvalue()))
    put(lake, "2.parquet", rows("b"))
    intake, _ = take_in(lake)
    assert (intake.rows_in, intake.used) == (96, 96)
    assert len(reasons(intake)) == 1
    assert "ncrypt" in reasons(intake)[0]


def test_a_mapped_lake_is_staged_under_its_own_names(lake: Path) -> None:
    (lake / "lake.toml").write_text(
        """
        [intervals]
        minutes = 15
        labelled = "end"
        delimiter = ";"
        columns.site_id = "meter"
        columns.interval_start = "ending"
        columns.l1_w = { from = "kwh", unit = "kWh an interval" }
        """
    )
    own = rows("b", l1_w=0.25).with_columns(pl.col("interval_start").dt.offset_by("15m"))
    own = own.rename({"site_id": "meter", "interval_start": "ending", "l1_w": "kwh"})
    put(lake, "1.csv", own.write_csv(separator=";"))
    intake, used = take_in(lake)
    assert (intake.used, used["l1_w"].unique().to_list()) == (96, [1000.0])


def test_a_loggers_channels_are_put_side_by_side(lake: Path) -> None:
    (lake / "lake.toml").write_text(
        """
        [intervals]
        delimiter = ";"
        decimal = ","
        time_format = "%d.%m.%Y %H:%M"
        zone = "-07:00"
        long = { channel = "channel", value = "value", ignore = ["temperature"] }
        [intervals.columns]
        site_id = "logger"
        interval_start = "time"
        l1_w = { from = "I1", unit = "A", volts = "U1", power_factor = 0.95 }
        l2_w = { from = "I2", unit = "A", volts = 120 }
        pv_w = { from = "PV", unit = "kW" }
        l1_v = "U1"
        """
    )
    sent = {"I1": "2,5", "U1": "118,0", "I2": "1", "PV": "0,5", "temperature": "21", "aux": "3"}
    lines = [f"a;01.06.2025 05:00;{channel};{value}" for channel, value in sent.items()]
    put(lake, "1.csv", "\n".join(["logger;time;channel;value", *lines]))
    intake, used = take_in(lake)
    assert used.select("l1_w", "l2_w", "pv_w", "l1_v").row(0) == pytest.approx((280.25, 120.0, 500.0, 118.0))
    assert used["interval_start"].to_list() == [datetime(2025, 6, 1, 12)]
    assert (intake.rows_in, intake.used, intake.rejected) == (2, 1, 1)
    assert reasons(intake) == ["channel: 'aux' is not named in lake.toml"]


def test_source_columns_are_the_files_own(lake: Path) -> None:
    names = rows("a").columns
    assert source_columns(put(lake, "1.parquet", rows("a")), Intervals()) == names
    assert source_columns(put(lake, "2.csv", rows("a")), Intervals()) == names
    with pytest.raises(UnusableFileError, match="cannot be read as Parquet"):
        source_columns(put(lake, "3.parquet", b"x"), Intervals())
