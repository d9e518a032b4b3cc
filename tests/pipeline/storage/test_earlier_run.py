"""A night goes on from the newest run before it of which what it reads is whole."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from published_runs import DAMAGES, DAYS, cut, delete, publish_run, publish_runs

from pipeline.storage.earlier_run import EarlierRun, choose_earlier, run_days

TABLES = ("standing", "night_count")  # of the second one these runs know nothing
TONIGHT = DAYS[-1] + timedelta(days=1)


def test_the_run_before_is_the_newest_one_of_an_earlier_day(tmp_path: Path) -> None:
    assert choose_earlier(tmp_path, TONIGHT, TABLES) == EarlierRun()
    out = publish_runs(tmp_path)
    for name in ("2025-99-99", "2026-6-1", "notes"):
        (out / "runs" / name).mkdir()
    assert run_days(out) == [str(day) for day in DAYS]
    for day, before in zip(
        [*DAYS, TONIGHT, TONIGHT + timedelta(days=9)], [None, *DAYS, DAYS[-1]], strict=True
    ):
        expected = EarlierRun(out / "runs" / str(before)) if before else EarlierRun()
        assert choose_earlier(out, day, TABLES) == expected


@pytest.mark.parametrize("kind", DAMAGES)
def test_a_run_with_a_damaged_table_is_passed_over(tmp_path: Path, kind: str) -> None:
    out = publish_runs(tmp_path)
    DAMAGES[kind](out / "runs" / str(DAYS[-1]) / "standing.parquet")
    chosen = choose_earlier(out, TONIGHT, TABLES)
    assert chosen.folder == out / "runs" / str(DAYS[-2])
    (line,) = chosen.passed_over
    assert line.startswith(f"runs/{DAYS[-1]}/standing.parquet: {kind}")


def test_what_a_night_does_not_read_does_not_matter(tmp_path: Path) -> None:
    out = publish_runs(tmp_path)
    cut(out / "runs" / str(DAYS[-1]) / "site_scores.parquet")
    delete(out / "runs" / str(DAYS[-1]) / "nightclamp.duckdb")
    assert choose_earlier(out, TONIGHT, TABLES) == EarlierRun(out / "runs" / str(DAYS[-1]))


def test_all_damaged_is_as_none_each_named(tmp_path: Path) -> None:
    """One of an older version, one without its folder, and one with two files damaged."""
    out = publish_runs(tmp_path)
    publish_run(out, DAYS[0], has_digests=False)
    cut(out / "runs" / str(DAYS[0]) / "standing.parquet")
    (out / "runs" / str(DAYS[1])).resolve().rename(out / "elsewhere")
    for name in ("standing", "site_scores"):
        cut(out / "runs" / str(DAYS[2]) / f"{name}.parquet")
    chosen = choose_earlier(out, TONIGHT, ("standing", "site_scores"))
    assert chosen.folder is None
    starts = [
        f"runs/{DAYS[2]}/site_scores.parquet: cut short",
        f"runs/{DAYS[1]}/run.json: missing",
        f"runs/{DAYS[0]}/standing.parquet: can't be read (100 bytes)",
    ]
    assert all(line.startswith(start) for line, start in zip(chosen.passed_over, starts, strict=True))
    assert chosen.passed_over[0].endswith(", and 1 more of its files")
