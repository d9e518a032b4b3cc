"""What another's column most probably is: told by its name, never taken for it."""

from __future__ import annotations

import tomllib

import pytest

from pipeline.core import contract
from pipeline.ingest.column_meaning import Meaning, is_third_line, meaning_in_register, meaning_of_interval
from pipeline.ingest.lake_config import read_lake_config
from pipeline.ingest.unknown_columns import unknown_columns

THIRD = (
    "l3_w", "L3", "l3_v", "phase_c", "PhaseC_Power", "leg3", "w3", "kw_c", "power_c", "V_C", "p3", "power_3", "ct3_w",
    "phase_3_kwh", "line_3", "I3",
)  # fmt: skip
NOT_THIRD = (
    "temp_c", "l1_w", "p1", "circuit_3", "c", "zone3", "column3", "kwh_3", "battery_soc", "weight", "note", "w",
    "phase_a", "l2_v",
)  # fmt: skip


@pytest.mark.parametrize("name", THIRD)
def test_a_third_line_is_seen(name: str) -> None:
    assert is_third_line(name)
    if name not in ("l3_w", "l3_v"):
        columns = contract.Interval.column_names()
        (told,) = unknown_columns([name], columns, columns, table="intervals")
        assert told.what == f"column {name} is not in the contract: not read"
        assert "write l3_" in told.hint


@pytest.mark.parametrize("name", NOT_THIRD)
def test_what_only_ends_alike_is_no_third_line(name: str) -> None:
    assert not is_third_line(name)


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("power_l1", 'l1_w = "power_l1"'),
        ("L2_kW", 'l2_w = { from = "L2_kW", unit = "kW" }'),
        ("leg1_kwh", 'l1_w = { from = "leg1_kwh", unit = "kWh an interval" }'),
        ("phase_a_current", 'l1_w = { from = "phase_a_current", unit = "A", volts = 120 }'),
        ("grid_import_kwh", 'import_wh = { from = "grid_import_kwh", unit = "kWh" }'),
        ("export_wh_total", 'export_wh = "export_wh_total"'),
        ("solar_kw", 'pv_w = { from = "solar_kw", unit = "kW" }'),
        ("voltage_a", 'l1_v = "voltage_a"'),
        ("VoltageB", 'l2_v = "VoltageB"'),
        ("l2_kvar", 'l2_var = { from = "l2_kvar", unit = "kvar" }'),
        ("phase_c_power", 'l3_w = "phase_c_power"'),
        ("L3_kW", 'l3_w = { from = "L3_kW", unit = "kW" }'),
        ("U3", 'l3_v = "U3"'),
        ("l3_kvar", 'l3_var = { from = "l3_kvar", unit = "kvar" }'),
        ("phase_3_kwh", 'l3_w = { from = "phase_3_kwh", unit = "kWh an interval" }'),
        ("pv_l3_power", 'pv_l3_w = "pv_l3_power"'),
        ("solar_phase_a_kw", 'pv_l1_w = { from = "solar_phase_a_kw", unit = "kW" }'),
        ("battery_kw", 'battery_w = { from = "battery_kw", unit = "kW" }'),
        ("timestamp", 'interval_start = "timestamp"'),
        ("read_at", 'interval_start = "read_at"'),
        ("meter_id", 'site_id = "meter_id"'),
    ],
)
def test_a_quantity_under_another_name_comes_with_the_line_to_write(name: str, line: str) -> None:
    meant = meaning_of_interval(name)
    assert meant is not None
    assert meant.toml(name) == line
    mapping = read_lake_config(f"[intervals]\nminutes = 15\n[intervals.columns]\n{line}\n", "lake.toml")
    assert name in mapping.intervals.reads()


@pytest.mark.parametrize(
    "name",
    [
        "temperature",
        "battery_soc",
        "quality",
        "time_zone",
        "end_time",
        "total_power",
        "phase_c",
        "solar_l1",
        "",
    ],
)
def test_a_name_that_says_too_little_is_not_guessed(name: str) -> None:
    assert meaning_of_interval(name) is None


@pytest.mark.parametrize("table", [table for table in contract.TABLES if table != "intervals"])
def test_a_register_s_own_names_are_nothing_else_and_others_are_mapped(table: str) -> None:
    columns = tuple(contract.TABLES[table].column_names())
    assert [
        name for name in columns if (meant := meaning_in_register(name, columns)) and meant.column != name
    ] == []


def test_registers_columns_under_other_names_are_known() -> None:
    sites = tuple(contract.Site.column_names())
    for name, column in (
        ("Installer ID", "crew_id"), ("lon", "longitude"), ("main_amps", "service_amps"), ("PV phase", "pv_on"),
    ):  # fmt: skip
        assert meaning_in_register(name, sites) == Meaning(column)


def test_a_hostile_name_stays_one_toml_text() -> None:
    name = 'so"lar\\ kw'
    assert tomllib.loads(Meaning("pv_w").toml(name)) == {"pv_w": name}


def test_no_hint_on_a_quantity_that_the_file_has_already() -> None:
    names = ["site_id", "pv_w", "solar_kw"]
    (told,) = unknown_columns(names, names[:2], ["site_id", "pv_w"], table="intervals")
    assert told.hint == "the nearest column is 'pv_w'"


def test_a_current_comes_with_the_volts_of_the_fleet() -> None:
    columns = contract.Interval.column_names()
    (told,) = unknown_columns(["I3"], columns, columns, table="intervals", volts=230.0)
    assert 'l3_w = { from = "I3", unit = "A", volts = 230 }' in told.hint
