"""Readings of a third line and of production by line are taken in, and refused, as the others are."""

import json
from contextlib import closing
from pathlib import Path

import pytest
from lakes import DAY, SITES, build_lake, only, put, reasons, rejects_of, rows, take_in

from pipeline.core import contract, sql_runner
from pipeline.core.settings import load_settings
from pipeline.ingest.lake import open_lake
from pipeline.ingest.lake_config import Intervals
from pipeline.ingest.opened_files import by_line_of, open_day
from pipeline.ingest.registers import read_registers


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    return build_lake(tmp_path / "lake")


THREE = SITES.replace("120/240", "230/400")


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"l3_w": float("nan")}, "l3_w is NaN or infinite"),
        ({"l3_v": float("inf")}, "l3_v is NaN or infinite"),
        ({"l3_var": float("nan")}, "l3_var is NaN or infinite"),
        ({"pv_l2_w": float("nan")}, "pv_l2_w is NaN or infinite"),
        ({"l3_w": 70_000.0}, "l3_w is more than the service can carry: |W| above 69000"),
        ({"l3_var": -70_000.0}, "l3_var is more than the service can carry: |W| above 69000"),
        ({"pv_l3_w": 24_000.0}, "pv_l3_w is more than the array can give: |W| above 23000"),
        ({"l3_v": 401.0}, "l3_v is out of range"),
        ({"l1_w": None, "l2_w": None, "l3_w": None}, "l1_w and l2_w are both missing"),
    ],
)
def test_a_bad_reading_of_a_third_line_rejects_its_row(
    lake: Path, changed: dict[str, object], reason: str
) -> None:
    (lake / "sites.csv").write_text(THREE, encoding="utf-8")
    by_line = dict.fromkeys((*contract.THIRD_LINE, *contract.PV_BY_LINE), 230.0)
    put(lake, "1.parquet", only(rows("b", **by_line), 6, **changed))
    intake, used = take_in(lake)
    assert (intake.rows_in, intake.used, intake.rejected) == (96, 95, 1)
    assert reasons(intake) == [reason]
    shown = json.loads(rejects_of(intake)["row"].item())
    name, value = next(iter(changed.items()))
    if value is not None:
        assert float(shown[name]) == pytest.approx(value, nan_ok=True)
    assert used["l3_w"].null_count() == 0


def test_a_row_with_a_third_reading_alone_is_used(lake: Path) -> None:
    (lake / "sites.csv").write_text(THREE, encoding="utf-8")
    put(lake, "1.parquet", rows("b", l1_w=None, l2_w=None, l3_w=50_000.0))
    put(lake, "2.parquet", rows("a", l1_w=None, l2_w=None))
    intake, used = take_in(lake)
    assert (intake.used, intake.rejected) == (96, 96)
    assert used["l3_w"].unique().to_list() == [50_000.0]


@pytest.mark.parametrize("name", ["1.parquet", "1.csv"])
def test_production_is_the_sum_of_its_lines_where_it_is_empty(lake: Path, name: str) -> None:
    by_line = rows("b", pv_w=None, pv_l1_w=100.0, pv_l2_w=20.0, pv_l3_w=3.0)
    put(lake, name, only(only(by_line, 1, pv_w=500.0), 2, pv_l1_w=None, pv_l2_w=None, pv_l3_w=None))
    intake, used = take_in(lake)
    assert intake.used == 96
    assert used["pv_w"].to_list() == [123.0, 500.0, None, *[123.0] * 93]


def test_one_channel_of_all_lines_carries_as_much_as_they_do(lake: Path) -> None:
    sites = THREE.replace(",commissioned_on", ",lines_summed,commissioned_on").replace(",c1,", ",c1,yes,")
    (lake / "sites.csv").write_text(sites, encoding="utf-8")
    put(lake, "1.parquet", rows("b", l1_w=200_000.0).drop("l2_w"))
    registers = read_registers(open_lake(lake), DAY)
    assert registers.are_all_single
    limits = registers.site_limits(load_settings().lake).sort("site_id")
    assert limits["leg_max_w"].to_list() == [3 * 3 * 200 * 230.0, 3 * 3 * 100 * 230.0]
    assert take_in(lake)[0].used == 96


@pytest.mark.parametrize("name", ["1.parquet", "1.csv"])
def test_production_by_line_stands_for_its_column(lake: Path, name: str) -> None:
    put(lake, name, rows("b", pv_l1_w=100.0, pv_l3_w=3.0).drop("pv_w"))
    put(lake, f"2{name[1:]}", rows("a", l3_w=5.0).drop("pv_w"))
    intake, used = take_in(lake)
    assert (intake.used, used["pv_w"].unique().to_list()) == (96, [103.0])
    assert reasons(intake) == ["the file has no column pv_w"]


@pytest.mark.parametrize("name", ["1.parquet", "1.csv"])
def test_only_days_with_a_third_line_read_one(lake: Path, name: str, tmp_path: Path) -> None:
    put(lake, name, rows("a", l3_w=None))
    put(lake, f"2{name[1:]}", rows("b", l3_w=7.0, l3_var=1.0))
    opened_lake = open_lake(lake)
    with closing(sql_runner.connect(tmp_path, load_settings().engine)) as con:
        opened = open_day(
            con, opened_lake.files(DAY), Intervals(), required=("l1_w",), workdir=tmp_path / "work"
        )
    has_column = (
        frozenset({"l3_w"}) if name.endswith("parquet") else frozenset()
    )  # of a copy: where it is filled
    assert [one.by_line for one in opened] == [has_column, frozenset({"l3_w", "l3_var"})]
    assert by_line_of(opened[:1]) == has_column


def test_a_third_channel_of_a_logger_is_put_beside_the_others(lake: Path) -> None:
    toml = """[intervals]
    long = { channel = "ch", value = "val" }
    [intervals.columns]
    l1_w = "P1"
    l2_w = "P2"
    l3_w = { from = "I3", unit = "A", volts = "U3" }
    l3_v = "U3"
    pv_w = { none = true }
    """
    (lake / "lake.toml").write_text(toml, encoding="utf-8")
    values = {"P1": 10, "P2": 20, "I3": 2, "U3": 231}
    lines = [f"a,{DAY}T00:00:00Z,{name},{value}" for name, value in values.items()]
    put(lake, "1.csv", "\n".join(["site_id,interval_start,ch,val", *lines]))
    _, used = take_in(lake)
    assert used.select("l1_w", "l2_w", "l3_w", "l3_v").rows() == [(10.0, 20.0, 462.0, 231.0)]
