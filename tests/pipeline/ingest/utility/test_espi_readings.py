"""A reading becomes energy of an interval, or a reason."""

from pathlib import Path

import polars as pl
import pytest
from utility_feeds import POINT, START, T0, block, entry, feed, meter, point, reading, reading_type

from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.utility.espi_readings import read_espi


def parsed(tmp_path: Path, *entries: str) -> pl.DataFrame:
    path = tmp_path / "f.xml"
    path.write_text(feed(*entries), encoding="utf-8")
    return pl.concat(read_espi(path, tmp_path))


def one(tmp_path: Path, *readings: str, **codes: object) -> dict[str, object]:
    return parsed(tmp_path, point(), meter(), reading_type(**codes), block(*readings)).row(0, named=True)


def test_a_reading_is_the_energy_of_an_interval_in_utc(tmp_path: Path) -> None:
    row = one(tmp_path, reading())
    assert (row["usage_point"], row["interval_start"], row["minutes"]) == (POINT, START, 15)
    assert (row["import_wh"], row["export_wh"], row["net_wh"]) == (100.0, None, None)
    assert (row["source_row"], row["reason"], row["row"]) == (1, None, None)


def test_local_time_parameters_shift_nothing(tmp_path: Path) -> None:
    local = entry(
        "LocalTimeParameters",
        "LocalTimeParameters/1",
        body="<dstEndRule>B40E2000</dstEndRule><dstOffset>3600</dstOffset><tzOffset>-25200</tzOffset>",
    )
    rows = parsed(tmp_path, local, point(), meter(), reading_type(), block(reading()))
    assert rows["interval_start"].to_list() == [START]


@pytest.mark.parametrize(
    ("power", "value", "wh"),
    [(-3, 974, 0.974), (-2, 974, 9.74), (-1, 974, 97.4), (0, 974, 974.0), (1, 97, 970.0), (3, 1, 1000.0)],
)
def test_values_are_whole_numbers_of_a_power_of_ten_exactly(
    tmp_path: Path, power: int, value: int, wh: float
) -> None:
    row = one(tmp_path, reading(value=value), powerOfTenMultiplier=power)
    assert (row["import_wh"], row["reason"]) == (wh, None)
    assert row["step_wh"] == pytest.approx(10.0**power, rel=1e-15)


def test_mean_watts_become_watt_hours_of_their_interval(tmp_path: Path) -> None:
    power = {"uom": 38, "kind": 37, "dataQualifier": 2, "accumulationBehaviour": 6}
    row = one(tmp_path, reading(value=1200), **power)
    assert (row["import_wh"], row["step_wh"]) == (300.0, 0.25)


def test_the_length_comes_from_the_reading_or_from_its_type(tmp_path: Path) -> None:
    assert one(tmp_path, reading(duration=None))["minutes"] == 15
    assert one(tmp_path, reading(duration=1800), intervalLength=None)["minutes"] == 30


def test_net_is_signed_and_negative_when_the_home_gives(tmp_path: Path) -> None:
    row = one(tmp_path, reading(value=-250), flowDirection=4)
    assert (row["net_wh"], row["reason"]) == (-250.0, None)


@pytest.mark.parametrize("quality", [0, 7, 8, 9, 11, 14, 17, 18, 19])
def test_measured_and_estimated_by_rule_is_used(tmp_path: Path, quality: int) -> None:
    told = f"<ReadingQuality><quality>{quality}</quality></ReadingQuality>"
    assert one(tmp_path, reading(more=told))["reason"] is None


@pytest.mark.parametrize(
    ("readings", "codes", "why"),
    [
        (reading(value=None), {}, "value is missing"),
        (reading(value="12.5"), {}, "value '12.5' is not a whole number"),
        (reading(value="NaN"), {}, "value 'NaN' is not a whole number"),
        (reading(value="1e3"), {}, "value '1e3' is not a whole number"),
        (reading(value="9" * 5000), {}, f"value '{'9' * 200}"),
        (reading(value=500_001), {}, "import_wh 500001.0 Wh is beyond 500,000 Wh an interval"),
        (reading(value=1), {"powerOfTenMultiplier": 12}, "import_wh 1000000000000.0 Wh is beyond"),
        (reading(value=-1), {}, "import_wh -1.0 Wh is negative; one way counts up only"),
        (reading(start=None), {}, "start is missing"),
        (reading(start="2025-06-01"), {}, "start '2025-06-01' is not a time in seconds"),
        (reading(start=T0 * 1000), {}, f"start '{T0 * 1000}' lies outside the years 1970 to 2100"),
        (reading(start=-900), {}, "start '-900' lies outside the years 1970 to 2100"),
        (reading(start=T0 + 60), {}, "starts at 2025-06-01 00:01:00 UTC, not on a whole 15 min"),
        (reading(duration=None), {"intervalLength": None}, "duration is missing"),
        (reading(duration="x"), {}, "duration 'x' is not a length in seconds"),
        (reading(duration=3600), {}, "duration 3600 s, where the reading type says intervalLength 900 s"),
        (reading(duration=901), {"intervalLength": None}, "duration 901 s is no whole number of minutes"),
        (
            reading(duration=86400),
            {"intervalLength": 86400},
            "an interval of 1440 min: 1, 5, 15, 30, 60 are read",
        ),
        (reading(duration=0), {"intervalLength": None}, "an interval of 0 min"),
        (reading(), {"defaultQuality": 10}, "quality 10 (questionable) is not used"),
        (reading(), {"accumulationBehaviour": 3}, "accumulationBehaviour 3 (cumulative) is a running total"),
        (reading(), {"commodity": 7}, "commodity 7 is not 1 (electricity)"),
        *(
            (
                reading(more=f"<ReadingQuality><quality>{code}</quality></ReadingQuality>"),
                {},
                f"quality {code} (",
            )
            for code in (10, 12, 13, 15, 16, 99)
        ),
        (
            reading(more="<ReadingQuality><quality>17</quality><quality>12</quality></ReadingQuality>"),
            {},
            "quality 12 (projected) is not used",
        ),
    ],
)
def test_what_can_not_be_told_for_sure_is_refused(
    tmp_path: Path, readings: str, codes: dict[str, object], why: str
) -> None:
    row = one(tmp_path, readings, **codes)
    assert str(row["reason"]).startswith(why)
    assert (row["import_wh"], row["export_wh"], row["net_wh"]) == (None, None, None)
    assert '"value"' in str(row["row"])


def test_a_reading_outside_any_block_s_links_is_refused(tmp_path: Path) -> None:
    rows = parsed(tmp_path, point(), reading_type(), block(reading()))
    assert rows["reason"].to_list() == ["the interval block links to no meter reading of the file"]


def test_a_feed_without_readings_is_not_usable(tmp_path: Path) -> None:
    with pytest.raises(UnusableFileError, match="holds no interval readings"):
        parsed(tmp_path, point(), meter(), reading_type())
