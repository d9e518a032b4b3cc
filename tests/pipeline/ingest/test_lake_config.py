"""lake.toml: a few lines, checked when read; what it does to columns is in test_conform."""

import pytest

from pipeline.core.errors import InputError
from pipeline.ingest.lake_config import LakeConfig, read_lake_config
from pipeline.ingest.lake_words import describe
from pipeline.ingest.row_config import offset_min

METERS = """
[intervals]
minutes = 15
labelled = "end"
zone = "America/Denver"
[intervals.columns]
site_id = "meter"
interval_start = "read_at"
l1_w = { from = "l1_kwh", unit = "kWh an interval" }
l2_w = { from = "l2_amps", unit = "A", volts = "l2_volts", power_factor = 0.95, sign = -1 }
[sites]
service = { always = "120/240" }
area = "depot"
"""


def test_without_a_file_every_column_keeps_its_name() -> None:
    assert read_lake_config("", "lake.toml") == LakeConfig()
    assert describe(LakeConfig()) == []


def test_describe_says_what_was_made_of_each_column() -> None:
    assert describe(read_lake_config(METERS, "lake.toml")) == [
        "intervals.site_id: from 'meter'",
        "intervals.interval_start: from 'read_at', time of America/Denver, "
        "the interval's end, 15 min after its start",
        "intervals.l1_w: from 'l1_kwh' in kWh an interval of 15 min",
        "intervals.l2_w: from 'l2_amps' in A x volts l2_volts x power factor 0.95, sign turned",
        "sites.service: always '120/240'",
        "sites.area: from 'depot'",
    ]


def test_describe_says_all_that_else_fills_a_column() -> None:
    text = """
    [intervals]
    files = "any day"
    skip_rows = 2
    zone = "-07:00"
    minutes = 60
    labelled = "end"
    [intervals.columns]
    site_id = { file_name = "m_(.+)" }
    interval_start = { month = "Month", day = "Day", hour = "Hour", year = 2025 }
    l1_w = { from = "x", factor = 2, offset = -4 }
    l2_w = { always = 0 }
    pv_w = { from = "y", unit = "kW a kW of rating" }
    battery_w = { none = true }
    """
    assert describe(read_lake_config(text, "lake.toml")) == [
        "intervals.site_id: from the file's name, m_(.+)",
        "intervals.interval_start: from year 2025, month 'Month', day 'Day', hour 'Hour', time of -07:00, "
        "the interval's end, 60 min after its start",
        "intervals.l1_w: from 'x', times 2, minus 4 W",
        "intervals.l2_w: always 0.0",
        "intervals.pv_w: from 'y' in kW a kW of rating, times pv_kw of the home",
        "intervals.battery_w: nothing; the lake has none",
        "intervals: the first 2 lines of a text are passed over",
        "intervals: files with rows of any day; a row belongs where its time says",
    ]
    dated = '[intervals]\nyear = 2025\ntime_format = "%m/%d %H:%M"'
    assert describe(read_lake_config(dated, "lake.toml")) == [
        "intervals.interval_start: from 'interval_start' in 2025, time of UTC"
    ]


def test_describe_says_how_channels_are_put_side_by_side() -> None:
    text = (
        '[intervals.long]\nchannel = "ch"\nvalue = "val"\nignore = ["temp"]\n[intervals]\nzone = "-07:00"\n'
    )
    assert describe(read_lake_config(text, "lake.toml")) == [
        "intervals: one row a channel, named in 'ch', value in 'val'; ignored: temp",
        "intervals.interval_start: from 'interval_start', time of -07:00",
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[interval]", "interval: unknown key; allowed: intervals, sites, crews, visits, trainings"),
        ("[intervals]\nminute = 5", "intervals.minute: unknown key; allowed: minutes, labelled, zone,"),
        (
            '[intervals.columns]\nl1_w = { column = "x" }',
            "intervals.columns.l1_w.column: unknown key; allowed: from, unit, sign, volts, power_factor",
        ),
        ('[intervals.columns]\nL1 = "x"', "intervals: columns.L1 is not in the contract; allowed: site_id,"),
        ('[sites]\nowner = "x"', "sites.owner is not in the contract; allowed: site_id, timezone"),
        ('[intervals]\nzone = "Mars/Olympus"', "'Mars/Olympus' is neither an IANA zone nor an offset"),
        ("[intervals]\nminutes = 7", "intervals.minutes: 7 is not one of"),
        ('[intervals]\nlabelled = "end"', 'labelled = "end" needs minutes'),
        (
            '[intervals.columns]\nl1_w = { from = "x", unit = "MW" }',
            "columns.l1_w: unit 'MW' unknown; allowed: W, kW, A, Wh an interval, kWh an interval",
        ),
        ('[intervals.columns]\nl1_w = { from = "x", unit = "kWh an interval" }', "needs minutes"),
        ('[intervals.columns]\nl1_w = { from = "x", unit = "A" }', "unit A needs volts"),
        ("[intervals.columns]\nl1_w = {}", "columns.l1_w: needs one of from, always, none"),
        (
            '[intervals.columns]\nl1_w = { from = "x", always = 1 }',
            "columns.l1_w: needs one of from, always, none",
        ),
        ('[intervals.columns]\nl1_w = { always = "x" }', "columns.l1_w: always 'x' is not a number"),
        (
            '[intervals.columns]\nl1_w = { file_name = "(.)" }',
            "columns.l1_w: needs one of from, always, none",
        ),
        (
            '[intervals.columns]\nl1_w = { from = "x", factor = 0 }',
            "columns.l1_w.factor: 0 would lose the values",
        ),
        ('[intervals.columns]\nl1_w = { from = "x", offset = inf }', "columns.l1_w.offset: "),
        (
            '[intervals.columns]\nl1_w = { from = "x", month = "m", day = "d" }',
            "columns.l1_w: needs one of from",
        ),
        (
            "[intervals.columns]\nsite_id = { none = true }",
            "columns.site_id: needs one of from, always, file_name",
        ),
        (
            '[intervals.columns]\nsite_id = { from = "x", factor = 2 }',
            "columns.site_id: factor is for measures",
        ),
        (
            '[intervals.columns]\nsite_id = { file_name = "meter.csv" }',
            "'meter.csv' needs one group",
        ),
        (
            '[intervals.columns]\nsite_id = { file_name = "(a" }',
            "is no regular expression",
        ),
        (
            "[intervals.columns]\ninterval_start = { always = 1 }",
            "needs one of from, month, day",
        ),
        (
            '[intervals.columns]\ninterval_start = { month = "m", year = 2025 }',
            "a stamp in parts needs month",
        ),
        (
            '[intervals.columns]\ninterval_start = { month = "m", day = "d" }',
            "a stamp in parts needs year",
        ),
        ('[intervals]\ntime_format = "%m/%d %H:%M"', "time_format '%m/%d %H:%M' has no year; say it in year"),
        (
            '[intervals]\ntime_format = "%d.%m.%Y"\nyear = 2025',
            "time_format '%d.%m.%Y' has a year of its own",
        ),
        ("[intervals]\nyear = 2025", "intervals: year is for stamps without one"),
        ("[intervals]\nskip_rows = -1", "intervals.skip_rows: "),
        (
            '[intervals]\nfiles = "any day"\npartitions = "local day"',
            '"local day" is for files of one day',
        ),
        (
            '[intervals.columns]\nl1_w = { from = "x", unit = "W a kW of rating" }',
            "unit 'W a kW of rating' unknown",
        ),
        (
            '[intervals.columns]\npv_w = { from = "x", unit = "kWh an interval a kW of rating" }',
            "needs minutes",
        ),
        ("[sites]\narea = {}", "sites.area: needs one of from"),
        ("[intervals", "not valid TOML"),
        ('[intervals]\nzone = "localtime"', "'localtime' is neither an IANA zone nor an offset"),
        ('[intervals]\nzone = "+\u0662\u0662:00"', "is neither an IANA zone nor an offset"),
        ('[intervals]\ndelimiter = "\\n"', "can't part fields; use a tab or a plain sign"),
        ('[intervals]\ndelimiter = "\u00e9"', "can't part fields"),
        ("[intervals]\ndelimiter = '\"'", "can't part fields"),
    ],
)
def test_nonsense_is_refused_in_one_line_with_what_is_allowed(text: str, told: str) -> None:
    with pytest.raises(InputError, match=told) as raised:
        read_lake_config(text, "lake.toml")
    assert str(raised.value).startswith("lake.toml: ")
    assert "\n" not in str(raised.value)


@pytest.mark.parametrize(
    ("zone", "minutes"),
    [("+05:30", 330), ("-07:00", -420), ("UTC", None), ("America/Denver", None), ("+5", None)],
)
def test_fixed_offsets(zone: str, minutes: int | None) -> None:
    assert offset_min(zone) == minutes


def test_reads_names_every_source_column() -> None:
    read = read_lake_config(METERS, "lake.toml").intervals.reads()
    assert {"meter", "read_at", "l1_kwh", "l2_amps", "l2_volts", "pv_w", "battery_w"} <= read
    assert "l1_w" not in read
