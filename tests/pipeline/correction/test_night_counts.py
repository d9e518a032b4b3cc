"""What the night's store says it used of a home, and where it says nothing."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from lakes import DAY, SITES, build_lake, put, rows
from stored_nights import SETTINGS, night

from pipeline.correction.night_counts import NightUsed, differs, night_used
from pipeline.features.day_store import Store
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers


@pytest.fixture
def root(tmp_path: Path) -> Path:
    lake = build_lake(tmp_path / "lake")
    put(lake, "a.parquet", rows("a"))
    put(lake, "c.parquet", rows("c"))
    return lake


def asked(root: Path, homes: list[str]) -> NightUsed | None:
    lake = open_lake(root)
    return night_used(
        Store(root.parent / "store"), DAY, lake.fingerprint(DAY),
        homes=homes, registers=read_registers(lake, DAY), settings=SETTINGS,
    )  # fmt: skip


def test_it_says_what_was_used_of_each_home_that_was_asked_for(root: Path) -> None:
    assert asked(root, ["a", "b"]) is None
    night(root, Store(root.parent / "store"), as_of=DAY)

    used = asked(root, ["a", "b"])

    assert used is not None
    assert used.homes.rows() == [("a", 96), ("b", 0)]
    assert not used.is_probed


def test_a_damaged_file_is_told(root: Path) -> None:
    path = put(root, "b.parquet", rows("b"))
    content = path.read_bytes()
    path.write_bytes(content[:4] + b"\xff" * 200 + content[204:])
    night(root, Store(root.parent / "store"), as_of=DAY)

    used = asked(root, ["b"])

    assert used is not None
    assert (used.homes.rows(), used.is_probed) == ([("b", 0)], True)


def test_homes_that_were_others_or_unknown_then_are_left_out(root: Path) -> None:
    night(root, Store(root.parent / "store"), as_of=DAY)
    known = SITES.replace("120/240,200,7.6", "120/240,100,7.6").replace("c1,2024-02-01", "c1,2023-02-01")
    (root / "sites.csv").write_text(known + "c,America/Denver,39.9,-105.2,north,120/240,100,5.0,false,c1,\n")

    used = asked(root, ["a", "b", "c"])

    assert used is not None
    assert used.homes.rows() == [("b", 0)]


def test_files_that_changed_since_are_not_what_the_store_has(root: Path) -> None:
    night(root, Store(root.parent / "store"), as_of=DAY)
    put(root, "d.parquet", rows("b"), arrived_h=2)
    assert asked(root, ["a"]) is None


def test_counts_differ_where_a_home_has_more_or_fewer_rows() -> None:
    used = pl.DataFrame({"site_id": ["a", "b"], "used": [96, 0]})
    counts = pl.DataFrame({"site_id": ["a", "c"], "used": [96, 7]})
    assert not differs(counts, used)
    assert differs(counts.head(0), used)
    assert differs(pl.DataFrame({"site_id": ["a", "b"], "used": [96, 1]}), used)
