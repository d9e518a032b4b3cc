"""The study counts what it says: rows inside their interval, homes' energy, days on which nothing was wrong."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest
from corrected_home import faulty_home

from pipeline.correction.rows import correct_rows
from pipeline.correction.unseen import Witnesses
from pipeline.evaluation.correction_coverage import Coverage, compare, pooled
from pipeline.faults.catalogue import CATALOGUE


def study(
    tmp_path: Path, *, fault: str = "reversed", onset: date | None = None, wrong_from: int = 96
) -> Coverage:
    """One home, its corrected readings off the truth by 500 W from row `wrong_from` on."""
    home = faulty_home("reversed", "l1")
    sites = pl.DataFrame({"site_id": ["H1"], "longitude": [0.0]})
    rows = correct_rows(home.rows, home.episode, sites=sites, witnesses=Witnesses(), catalogue=CATALOGUE)
    (tmp_path / "date=2026-06-01").mkdir()
    rows.write_parquet(tmp_path / "date=2026-06-01" / "corrected.parquet")
    late = pl.int_range(pl.len()) >= wrong_from
    right = home.right.select(
        "site_id",
        "interval_start",
        l1_w=pl.col("l1_w") + pl.when(late).then(500.0).otherwise(0.0),
        l2_w="l2_w",
        pv_w="pv_w",
    )
    truth = pl.DataFrame(
        {"site_id": ["H1"], "fault": [fault], "leg": ["l1"], "onset_on": [onset]},
        schema_overrides={"onset_on": pl.Date},
    )
    return compare("streets", tmp_path, right, truth=truth)


def test_right_readings_are_all_covered(tmp_path: Path) -> None:
    found = study(tmp_path)
    row = found.fault.row(0, named=True)
    assert (row["true_fault"], row["homes"], row["rows"]) == ("reversed", 1, 96)
    assert (row["row_coverage"], row["kwh_coverage"], row["exact_share"], row["named_share"]) == (
        1.0,
        1.0,
        1.0,
        1.0,
    )
    assert row["corrected_error_share"] == pytest.approx(0.0, abs=1e-9)
    assert row["reported_error_share"] > 0.4


def test_a_quarter_of_wrong_rows_is_a_quarter_not_covered(tmp_path: Path) -> None:
    row = study(tmp_path, wrong_from=72).fault.row(0, named=True)
    assert row["row_coverage"] == 0.75
    assert row["kwh_coverage"] == 0.0


@pytest.mark.parametrize(("fault", "onset"), [("sound", None), ("reversed", date(2026, 6, 1))])
def test_days_on_which_nothing_was_wrong_are_mistaken(tmp_path: Path, fault: str, onset: date | None) -> None:
    found = study(tmp_path, fault=fault, onset=onset)
    row = found.mistaken.row(0, named=True)
    assert (row["home_days"], row["mistaken_days"]) == (1, 1)
    assert row["sound_homes"] == (1 if fault == "sound" else 0)
    assert found.fault.is_empty()


def test_families_are_pooled_by_rows_and_homes(tmp_path: Path) -> None:
    one = study(tmp_path).fault
    other = one.with_columns(
        rows=one["rows"] * 3, row_coverage=pl.lit(0.6), kwh_coverage=pl.lit(0.0), family=pl.lit("b")
    )
    row = pooled(pl.concat([one, other])).row(0, named=True)
    assert (row["homes"], row["rows"]) == (2, 4 * 96)
    assert row["row_coverage"] == pytest.approx(0.25 * 1.0 + 0.75 * 0.6)
    assert row["kwh_coverage"] == pytest.approx(0.5)
