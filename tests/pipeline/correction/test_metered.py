"""The utility's own files stand beside readings whose intervals they share, by the readings' clock."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from corrected_home import faulty_home

from pipeline.correction.metered import FileMeters
from pipeline.correction.rows import correct_rows
from pipeline.correction.unseen import Witnesses
from pipeline.faults.catalogue import CATALOGUE

HOME, METERED = (faulty_home("dead", "l2", has_meter=has_meter) for has_meter in (False, True))
ENERGY = ("import_wh", "export_wh")


def meters(minutes: float = 15.0) -> FileMeters:
    return FileMeters(METERED.rows.select("site_id", "interval_start", *ENERGY, minutes=pl.lit(minutes)))


def test_a_file_stands_where_the_readings_have_no_meter() -> None:
    assert meters().beside(HOME.rows).select(ENERGY).equals(METERED.rows.select(ENERGY))


def test_a_meter_among_the_readings_comes_first() -> None:
    own = HOME.rows.with_columns(import_wh=pl.lit(7.0))
    assert meters().beside(own)["import_wh"].unique().to_list() == [7.0]


@pytest.mark.parametrize("found", [meters(30.0), FileMeters(meters().rows.clear())])
def test_longer_intervals_and_no_file_say_nothing_of_a_reading(found: FileMeters) -> None:
    assert found.beside(HOME.rows).equals(HOME.rows)


def test_a_leg_without_signal_is_told_by_the_file() -> None:
    sites = pl.DataFrame({"site_id": ["H1"], "longitude": [0.0]})
    rows = correct_rows(
        meters().beside(HOME.rows), HOME.episode, sites=sites, witnesses=Witnesses(), catalogue=CATALOGUE
    )
    assert float((rows["l2_w"] - HOME.right["l2_w"]).abs().max() or 0.0) < 1e-6  # type: ignore[arg-type]


def test_a_homes_digest_changes_with_its_file_only() -> None:
    two = FileMeters(pl.concat([meters().rows, meters().rows.with_columns(site_id=pl.lit("H2"))]))
    changed = replace(two, rows=two.rows.with_columns(
        import_wh=pl.when(pl.col("site_id") == "H2").then(pl.col("import_wh") + 1).otherwise("import_wh")
    ))  # fmt: skip
    assert two.digests()["H1"] == changed.digests()["H1"]
    assert two.digests()["H2"] != changed.digests()["H2"]
