"""The exports of EXAMPLES.md, from their raw text to rows: each with the lake.toml that stands there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from lakes import SITES, build_lake, reasons, take_in_lake

from pipeline.core.settings import load_settings
from pipeline.ingest import lake as lake_module
from pipeline.ingest.contract_check import check_lake
from pipeline.ingest.lake import Lake, open_lake
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night

TEXT = (Path(lake_module.__file__).parent / "EXAMPLES.md").read_text(encoding="utf-8")
TOML = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)
RAW = re.findall(r"```text\n(.*?)```", TEXT, re.DOTALL)
METER, LOGGER, SIMULATION, THREE_LINES, SUMMED = range(5)
DENVER = ZoneInfo("America/Denver")


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTCLAMP_OBJECT_STORE__CACHE", str(tmp_path / "cache"))


def lake_of(root: Path, example: int, files: dict[str, str], ids: tuple[str, str]) -> Path:
    sites = SITES.replace("\na,", f"\n{ids[0]},").replace("\nb,", f"\n{ids[1]},")
    lake = build_lake(root / "lake", sites=sites)
    (lake / "lake.toml").write_text(TOML[example], encoding="utf-8")
    for name, text in files.items():
        (lake / "intervals" / name).write_text(text, encoding="utf-8")
    return lake


def fails(lake: Lake, today: date) -> list[str]:
    problems = check_lake(lake, load_settings(), today, all_days=False)
    return [f"{problem.where}: {problem.what}" for problem in problems if problem.severity == "fail"]


def meter_year(first: date, days: int, meter: str) -> Iterator[str]:
    """The meter's lines: every quarter hour of local days, labelled by its end, the day's last as 24:00."""
    yield from RAW[METER].splitlines()[:3]
    begin = datetime.combine(first, datetime.min.time(), DENVER).astimezone(UTC)
    end = datetime.combine(first + timedelta(days=days), datetime.min.time(), DENVER).astimezone(UTC)
    while begin < end:
        begin += timedelta(minutes=15)
        local = begin.astimezone(DENVER)
        label = f"{local:%d.%m.%Y %H:%M}"
        if f"{local:%H:%M}" == "00:00":
            label = f"{local - timedelta(days=1):%d.%m.%Y} 24:00"
        yield f"{meter};{label};0,075;0,050;0,0{local.hour:02}"


def test_the_raw_texts_are_those_of_the_tests() -> None:
    assert len(TOML) == len(RAW) == 5
    assert next(iter(list(meter_year(date(2025, 1, 1), 1, "4711"))[3:])) == RAW[METER].splitlines()[3]


@pytest.mark.parametrize(
    ("middle", "hours", "from_hour"),
    [(date(2025, 3, 9), 71, 7), (date(2025, 11, 2), 73, 6), (date(2025, 12, 31), 72, 7)],
)
def test_a_meter_s_year_file(middle: date, hours: int, from_hour: int, tmp_path: Path) -> None:
    first = middle - timedelta(days=1)
    files = {f"{meter}.csv": "\n".join(meter_year(first, 3, meter)) for meter in ("4711", "4712")}
    lake = open_lake(lake_of(tmp_path, METER, files, ("4711", "4712")))
    taken = [take_in_lake(lake, day, as_of=lake.days()[-1]) for day in lake.days()]
    assert (
        sum(intake.used for intake, _ in taken) == sum(intake.rows_in for intake, _ in taken) == 2 * 4 * hours
    )
    used = pl.concat([rows for _, rows in taken]).filter(site_id="4711")
    assert used["interval_start"][0] == datetime(first.year, first.month, first.day, from_hour)
    assert used["interval_start"].diff().drop_nulls().unique().to_list() == [timedelta(minutes=15)]
    assert (used["l1_w"].unique().to_list(), used["l2_w"].unique().to_list()) == ([300.0], [200.0])
    last = lake.newest_finished_day(datetime(2026, 6, 1, tzinfo=UTC))
    assert last == middle + timedelta(days=1)
    assert fails(lake, date(2026, 6, 1)) == []


def test_a_logger_s_file_a_home(tmp_path: Path) -> None:
    files = {"logger_h1.csv": RAW[LOGGER], "logger_h2.csv": RAW[LOGGER], "notes.csv": RAW[LOGGER]}
    lake = open_lake(lake_of(tmp_path, LOGGER, files, ("h1", "h2")))
    intake, used = take_in_lake(lake, date(2025, 6, 1), as_of=date(2025, 6, 1))
    assert (intake.rows_in, intake.used) == (4, 4)
    assert used["site_id"].to_list() == ["h1", "h1", "h2", "h2"]
    assert used["interval_start"][1] == datetime(2025, 6, 1, 0, 5)
    assert used["l1_w"][:2].to_list() == pytest.approx([2.5 * 120.1 - 4, 2.5 * 120.0 - 4])
    assert used["l2_w"][:2].to_list() == pytest.approx([0.8 * 119.9 * 2 - 4, 0.8 * 120.0 * 2 - 4])
    assert (used["pv_w"].null_count(), used["battery_w"].unique().to_list()) == (4, [0.0])
    assert reasons(intake) == [
        r"the file has a name that doesn't fit lake.toml's logger_(.+)\.csv: no home is known"
    ]


def test_an_hourly_simulation(tmp_path: Path) -> None:
    head = RAW[SIMULATION].splitlines()[0]
    lines = [
        f"{home},{day:%m},{day.day},{hour},600,{750 if 10 < hour < 17 else 0}"
        for home in ("H1", "H2")
        for day in (date(2025, 6, 1), date(2025, 6, 2))
        for hour in range(1, 25)
    ]
    text = "\n".join([head, *lines, "H1,2,29,1,600,0", "H1,6,1,25,600,0", "H1,,,,600,0"])
    root = lake_of(tmp_path, SIMULATION, {"run.csv": text}, ("H1", "H2"))
    (root / "sites.csv").write_text(
        (root / "sites.csv").read_text("utf-8").replace(",5.0,", ",,"), encoding="utf-8"
    )
    lake = open_lake(root)
    assert lake.days() == [date(2025, 6, 1), date(2025, 6, 2), date(2025, 6, 3)]
    taken = [take_in_lake(lake, day, as_of=date(2025, 6, 3)) for day in lake.days()]
    used = pl.concat([rows for _, rows in taken])
    first = used.filter(site_id="H1")
    assert first["interval_start"].to_list() == [
        datetime(2025, 6, 1, 7) + timedelta(hours=n) for n in range(48)
    ]
    assert first["l1_w"].unique().to_list() == [300.0]
    assert first.filter(pl.col("interval_start") == datetime(2025, 6, 1, 17))["pv_w"].item() == 750 * 7.6
    assert used.filter(site_id="H2").height == 48 - 12
    assert sum(intake.rows_in for intake, _ in taken) == 99
    told = [reason for intake, _ in taken for reason in reasons(intake)]
    assert sorted(set(told)) == [
        "Month, Day, Hour: '2025-2-29 1:0' is not a time",
        "Month, Day, Hour: '2025-6-1 25:0' is not a time",
        "interval_start is missing",
        "pv_kw of the home is missing in sites: production a kW of rating needs it",
    ]


def test_the_stamp_of_a_simulation_in_one_text(tmp_path: Path) -> None:
    root = lake_of(tmp_path, SIMULATION, {}, ("H1", "H2"))
    toml = TOML[SIMULATION].replace(
        'zone = "-07:00"', 'zone = "-07:00"\ntime_format = "%m/%d %H:%M:%S"\nyear = 2025'
    )
    toml = re.sub(r"interval_start = .*", 'interval_start = "Date/Time"', toml)
    (root / "lake.toml").write_text(toml, encoding="utf-8")
    stamps = (" 12/31  23:00:00", " 12/31  24:00:00", " 02/29  01:00:00")
    text = "\n".join(["Home,Date/Time,Load W,PV W/kW", *(f"H1,{stamp},600,0" for stamp in stamps)])
    (root / "intervals" / "run.csv").write_text(text, encoding="utf-8")
    lake = open_lake(root)
    intake, used = take_in_lake(lake, date(2026, 1, 1))
    assert used["interval_start"].to_list() == [datetime(2026, 1, 1, 5), datetime(2026, 1, 1, 6)]
    assert reasons(intake) == ["Date/Time: '02/29  01:00:00' is not a time"]


def service_notes(lake: Lake) -> list[str]:
    problems = check_lake(lake, load_settings(), date(2025, 6, 2), all_days=True)
    words = ("service", "_v is", "not in the contract")
    told = [one.what for one in problems if one.where != "lake.toml"]
    return [what for what in told if any(word in what for word in words)]


def test_a_meter_of_three_lines(tmp_path: Path) -> None:
    files = {"m1.csv": RAW[THREE_LINES], "m2.csv": RAW[THREE_LINES].replace("M1", "M2")}
    lake = open_lake(lake_of(tmp_path, THREE_LINES, files, ("M1", "M2")))
    intake, used = take_in_lake(lake, date(2025, 6, 1))
    assert (intake.rows_in, intake.used) == (4, 4)
    first = used.row(0, named=True)
    assert first["interval_start"] == datetime(2025, 6, 1, 10)
    legs = [first[name] for name in ("l1_w", "l2_w", "l3_w", "l3_v", "l3_var")]
    assert legs == pytest.approx([-310.0, -920.0, 450.0, 229.8, 110.0])
    assert used["pv_w"].to_list() == pytest.approx([3630.0, 3550.0] * 2)
    assert (fails(lake, date(2025, 6, 2)), service_notes(lake)) == ([], [])


def test_one_channel_of_all_three_lines(tmp_path: Path) -> None:
    files = {"m1.csv": RAW[SUMMED], "m2.csv": RAW[SUMMED].replace("M1", "M2")}
    lake = open_lake(lake_of(tmp_path, SUMMED, files, ("M1", "M2")))
    intake, used = take_in_lake(lake, date(2025, 6, 1))
    assert (intake.rows_in, intake.used) == (4, 4)
    assert used["l1_w"].to_list() == [-780.0, -720.0] * 2
    assert used["l2_w"].null_count() == used["l3_w"].null_count() == 4
    assert (fails(lake, date(2025, 6, 2)), service_notes(lake)) == ([], [])


def test_a_night_without_production_proves_nothing_and_fails_nowhere(tmp_path: Path) -> None:
    start = int(datetime(2025, 6, 1, tzinfo=UTC).timestamp())
    lines = [f"{start + 300 * n},{2 + n % 7},120,-0.8,120" for n in range(3 * 288)]
    text = "\n".join(["time,I1,U1,I2,U2", *lines])
    lake = lake_of(tmp_path, LOGGER, {"logger_h1.csv": text, "logger_h2.csv": text}, ("h1", "h2"))
    run_night(NightRequest(lake, tmp_path / "out"), load_settings())
    scores = pl.read_parquet(tmp_path / "out" / "latest" / "site_scores.parquet", glob=False)
    assert scores["site_id"].to_list() == ["h1", "h2"]
    assert scores["verdict"].to_list() == ["unproven", "unproven"]
