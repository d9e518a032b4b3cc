"""The register of meters: which home a usage point is; rows that can't be are rejected with the reason."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from lakes import build_lake, put, rows

from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import Registers, read_registers

AS_OF = date(2025, 6, 30)


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    put(root, "1.parquet", rows("a"))
    return root


def read(lake: Path, meters: str, toml: str = "") -> Registers:
    (lake / "meters.csv").write_text(f"site_id,usage_point,kind\n{meters}", encoding="utf-8")
    (lake / "lake.toml").write_text(toml, encoding="utf-8")
    return read_registers(open_lake(lake), AS_OF)


def test_meters_are_sorted_by_usage_point_and_a_home_may_have_two(lake: Path) -> None:
    registers = read(lake, "b,m-2,import\na,m-1,net\nb,m-3,\n")
    assert registers.meters.select("usage_point", "site_id", "kind").rows() == [
        ("m-1", "a", "net"), ("m-2", "b", "import"), ("m-3", "b", None),
    ]  # fmt: skip
    assert registers.rejects.is_empty()


def test_without_the_register_there_are_no_meters(lake: Path) -> None:
    registers = read_registers(open_lake(lake), AS_OF)
    assert registers.meters.is_empty()
    assert registers.meters.columns == ["site_id", "usage_point", "kind"]


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("nowhere,m-1,net", "unknown home: site_id is not in sites"),
        ("a,,net", "usage_point is missing"),
        (",m-1,net", "site_id is missing"),
        ("a,m-1,nett", "kind: 'nett' is not known; did you mean 'net'?"),
    ],
)
def test_a_meter_that_can_not_be_is_rejected_with_its_reason(lake: Path, row: str, reason: str) -> None:
    registers = read(lake, f"{row}\nb,m-2,net\n")
    assert registers.rejects.select("source_file", "source_row", "reason").rows() == [
        ("meters.csv", 1, reason)
    ]
    assert registers.meters["usage_point"].to_list() == ["m-2"]


def test_a_usage_point_of_two_homes_keeps_the_first(lake: Path) -> None:
    registers = read(lake, "a,m-1,net\nb,m-1,net\na,m-1,net\n")
    assert registers.rejects["reason"].to_list() == [
        "usage_point 'm-1' is there before with other content; the first row is kept"
    ]
    assert registers.meters.select("usage_point", "site_id").rows() == [("m-1", "a")]
    assert registers.duplicate == 1


def test_lake_toml_maps_its_columns(lake: Path) -> None:
    (lake / "meters.csv").write_text("home,esi\na,m-9\n", encoding="utf-8")
    (lake / "lake.toml").write_text(
        '[meters]\nsite_id = "home"\nusage_point = "esi"\nkind = { always = "net" }\n', encoding="utf-8"
    )
    registers = read_registers(open_lake(lake), AS_OF)
    assert registers.meters.row(0) == ("a", "m-9", "net")
