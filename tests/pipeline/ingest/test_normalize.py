"""A source's columns become the contract's: names, units, signs, clocks, labels, channels."""

import polars as pl
import pytest

from pipeline.ingest.column_names import nearest
from pipeline.ingest.csv_reader import REASON, ROW, TEXT, UnusableFileError
from pipeline.ingest.lake_config import Intervals, read_lake_config
from pipeline.ingest.normalize import STAGED, conform

BARE = ("site_id", "interval_start")


def source(**columns: list[object]) -> pl.DataFrame:
    """A source file's rows, numbered; `meter` a and `at` a UTC midnight unless given."""
    length = len(next(iter(columns.values())))
    held = {"site_id": ["a"] * length, "interval_start": ["2025-06-01T00:00:00Z"] * length, **columns}
    return pl.DataFrame({**held, ROW: range(1, length + 1)}, schema_overrides={ROW: pl.Int64})


def how(text: str) -> Intervals:
    return read_lake_config("[intervals]\n" + text, "lake.toml").intervals


def test_the_contracts_own_names_need_no_mapping() -> None:
    made = conform(source(l1_w=["1.5"], L2_W=["-2"], pv_w=[""], extra=["x"]), Intervals(), BARE)
    assert made.schema == STAGED
    assert made.select("l1_w", "l2_w", "pv_w").row(0) == (1.5, -2.0, None)
    assert made[REASON].to_list() == [None]


@pytest.mark.parametrize(
    ("says", "given", "watts"),
    [
        ('{ from = "x", unit = "kW" }', "1.2", 1200.0),
        ('{ from = "x", unit = "kWh an interval" }', "0.5", 2000.0),
        ('{ from = "x", unit = "Wh an interval", sign = -1 }', "500", -2000.0),
        ('{ from = "x", unit = "A", volts = 120, power_factor = 0.5 }', "10", 600.0),
        ('{ from = "x", unit = "A", volts = "v", power_factor = "pf" }', "10", 10 * 118.0 * 0.9),
    ],
)
def test_units_become_mean_watts(says: str, given: str, watts: float) -> None:
    frame = source(x=[given], v=["118"], pf=["0.9"])
    made = conform(frame, how(f"minutes = 15\ncolumns.l1_w = {says}"), BARE)
    assert made["l1_w"][0] == pytest.approx(watts)


def test_text_in_a_number_column_refuses_that_row_and_keeps_it() -> None:
    made = conform(source(l1_w=["1", "12,5", "err"], l2_w=["1", "1", "bad"]), Intervals(), BARE)
    assert made[REASON].to_list() == [None, "l1_w: '12,5' is not a number", "l1_w: 'err' is not a number"]
    assert made[TEXT][0] is None
    assert '"l1_w":"12,5"' in made[TEXT][1]


def test_decimal_commas_and_words_for_nothing() -> None:
    made = conform(source(l1_w=["12,5", "n/a"]), how('decimal = ","\nempty = ["n/a"]'), BARE)
    assert made["l1_w"].to_list() == [12.5, None]
    assert made[REASON].null_count() == 2


def test_not_a_number_stays_so_for_the_range_check_to_reject() -> None:
    made = conform(source(l1_w=["nan", "inf"]), Intervals(), BARE)
    assert made["l1_w"].is_finite().to_list() == [False, False]


def test_no_rows_make_no_rows() -> None:
    assert conform(source(l1_w=["1"]).clear(), Intervals(), BARE).height == 0
    assert conform(source(ch=["aux"], val=["1"]), how(CHANNELS), BARE)[REASON].null_count() == 0


CHANNELS = """
long = { channel = "ch", value = "val", ignore = ["temp"] }
[intervals.columns]
l1_w = "main_1"
l2_w = { from = "main_2", unit = "kW" }
"""


def test_one_row_a_channel_becomes_one_row_a_time() -> None:
    frame = source(ch=["main_1", "main_2", "temp"], val=["100", "0.2", "31"])
    made = conform(frame, how(CHANNELS), (*BARE, "l1_w", "l2_w"))
    assert made.select("l1_w", "l2_w", ROW).rows() == [(100.0, 200.0, 1)]


def test_a_channel_sent_again_makes_a_second_row_and_the_last_comes_last() -> None:
    frame = source(ch=["main_1", "main_2", "main_1"], val=["100", "0.2", "101"])
    made = conform(frame, how(CHANNELS), BARE)
    assert made.select("l1_w", "l2_w").rows() == [(100.0, None), (101.0, 200.0)]


def test_a_channel_nobody_named_is_refused_not_dropped() -> None:
    frame = source(ch=["main_1", "aux"], val=["100", "5"])
    made = conform(frame, how(CHANNELS), BARE)
    refused = made.filter(pl.col(REASON).is_not_null())
    assert refused.select(ROW, REASON).rows() == [(2, "ch: 'aux' is not named in lake.toml")]
    assert '"val":"5"' in refused[TEXT][0]


def test_text_in_a_channels_value_is_refused() -> None:
    made = conform(source(ch=["main_1"], val=["off"]), how(CHANNELS), BARE)
    assert made[REASON].to_list() == ["main_1: 'off' is not a number"]


def test_a_value_of_another_type_is_its_text() -> None:
    made = conform(source(pv_w=[True], interval_start=[7]), Intervals(), BARE)
    assert made[REASON].to_list() == ["interval_start: '7' is not a time"]
    made = conform(source(pv_w=[True]), Intervals(), BARE)
    assert made[REASON].to_list() == ["pv_w: 'true' is not a number"]


@pytest.mark.parametrize(
    ("frame", "said", "told"),
    [
        (source(l1_w=["1"]), "", "has no column pv_w"),
        (source(pw_w=["1"]), "", "has no column pv_w; did you mean 'pw_w'?"),
        (source(x=["1"]), 'columns.pv_w = "solar"', "has no column pv_w \\(from 'solar', says lake.toml\\)"),
        (source(pv_w=[[1.0]]), "", "column pv_w is of type List\\(Float64\\), not a number"),
        (
            source(pv_w=["1"]),
            'columns.pv_w = { from = "pv_w", unit = "A", volts = "vv" }',
            "has no column vv",
        ),
    ],
)
def test_a_file_that_can_not_be_understood_is_refused_whole(
    frame: pl.DataFrame, said: str, told: str
) -> None:
    with pytest.raises(UnusableFileError, match=told):
        conform(frame, how(said), (*BARE, "pv_w"))


def test_nearest_offers_a_name_only_where_one_looks_alike() -> None:
    assert nearest("reversd", ["reversed", "dead"]) == "; did you mean 'reversed'?"
    assert nearest("xyz", ["reversed", "dead"]) == ""
