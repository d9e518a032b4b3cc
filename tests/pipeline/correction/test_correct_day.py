"""A day's file: homes by name, days gone from the lake, a few homes at a time, nothing that doesn't add up."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from corrections import (
    DAYS,
    A,
    B,
    changed_days,
    contents,
    correct_rows,
    day_file,
    episode,
    homes_in,
)
from lakes import put, rows

from pipeline.core.errors import NightclampError, NightFailed
from pipeline.core.settings import load_settings
from pipeline.correction import extract
from pipeline.correction.outcome import CorrectionResult

SETTINGS = load_settings()


def test_a_day_gone_from_the_lake_keeps_its_rows_while_the_story_stands(
    correct: Callable[..., CorrectionResult], lake: Path, out: Path
) -> None:
    correct(A, B)
    before = contents(out / "corrected")
    for file in (lake / "intervals" / f"date={DAYS[1]}").iterdir():
        file.unlink()

    result = correct({**A, "likelihood": 0.99}, B)
    assert (result.days_gone, changed_days(out, before)) == (1, [DAYS[0], DAYS[2], DAYS[3]])

    kept = pl.read_parquet(day_file(out, DAYS[1])).filter(site_id="a")
    assert correct(A).days_gone == 1
    assert pl.read_parquet(day_file(out, DAYS[1])).equals(kept)
    assert correct(B, sites=("a",)).summary()["homes"] == 0
    assert not day_file(out, DAYS[1]).exists()


def test_named_homes_are_worked_on_and_the_others_stay(
    correct: Callable[..., CorrectionResult], lake: Path, out: Path
) -> None:
    correct(A, B)
    put(lake, "later.parquet", rows("a", DAYS[1], l1_w=5.0).tail(2), DAYS[1], arrived_h=9)
    of_a = pl.read_parquet(day_file(out, DAYS[1])).filter(site_id="a")

    result = correct(A, episode("b", DAYS[1]), episode("c", DAYS[3]), sites=("b",))

    assert [homes_in(out, day) for day in DAYS] == [["a"], ["a", "b"], ["a", "b"], ["a", "b"]]
    assert pl.read_parquet(day_file(out, DAYS[1])).filter(site_id="a").equals(of_a)
    assert result.episodes["site_id"].to_list() == ["a", "b"]
    assert correct(A, episode("b", DAYS[1]), sites=("b",)).days_written == 0
    # the late file is another home's: all together they see it
    assert correct(A, episode("b", DAYS[1])).days_written == 1


def lose_a_row(rows: pl.DataFrame, episodes: pl.DataFrame) -> pl.DataFrame:
    return correct_rows(rows, episodes).head(-1)


def double_a_row(rows: pl.DataFrame, episodes: pl.DataFrame) -> pl.DataFrame:
    made = correct_rows(rows, episodes)
    return pl.concat([made.head(1), made.head(-1)])


def change_the_report(rows: pl.DataFrame, episodes: pl.DataFrame) -> pl.DataFrame:
    return correct_rows(rows, episodes).with_columns(pl.col("l2_w_reported") + 1)


def invent_a_method(rows: pl.DataFrame, episodes: pl.DataFrame) -> pl.DataFrame:
    return correct_rows(rows, episodes).with_columns(method=pl.lit("guessed"))


@pytest.mark.parametrize("wrong", [lose_a_row, double_a_row, change_the_report, invent_a_method])
def test_rows_that_are_not_the_used_ones_end_the_run_and_leave_the_files(
    correct: Callable[..., CorrectionResult], out: Path, wrong: Callable[..., pl.DataFrame]
) -> None:
    correct(A)
    before = contents(out / "corrected")

    with pytest.raises(NightFailed, match="not the used rows one for one"):
        correct({**A, "likelihood": 0.7}, correct=wrong)
    assert contents(out / "corrected") == before


def test_overlapping_episodes_are_refused(correct: Callable[..., CorrectionResult]) -> None:
    with pytest.raises(NightclampError, match="a: two episodes on 2025-06-03"):
        correct(A, episode("a", DAYS[2]))
    correct(episode("a", DAYS[0], DAYS[1]), episode("a", DAYS[2]))


def test_many_homes_are_taken_a_few_at_a_time_and_give_the_same_rows(
    correct: Callable[..., CorrectionResult], lake: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stories = (A, B, episode("c", DAYS[0]))
    correct(*stories)
    whole = [pl.read_parquet(day_file(out, day)) for day in DAYS]
    monkeypatch.setattr(extract, "ROWS_AT_ONCE", 100)

    correct(*({**story, "basis": "again"} for story in stories))

    for day, frame in zip(DAYS, whole, strict=True):
        assert pl.read_parquet(day_file(out, day)).equals(frame)
