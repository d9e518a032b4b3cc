"""A run over days: what is written, what is left alone, what goes; homes by name; nothing that doesn't add up."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from corrections import contents, correct_rows, episode, publish_run, stages_of, times
from lakes import DAY, SITES, build_lake, put, rows

from pipeline.core.errors import InputError, NightclampError, NightFailed
from pipeline.core.settings import load_settings
from pipeline.correction import extract
from pipeline.correction.layout import CORRECTED
from pipeline.correction.outcome import CorrectionResult
from pipeline.correction.run import CorrectionRequest, correct_lake
from pipeline.correction.stages import Stages
from pipeline.storage.output_location import hold_out

SETTINGS = load_settings()
DAYS = [DAY + timedelta(days=number) for number in range(4)]
THIRD = "c,America/Denver,39.9,-105.2,north,120/240,100,5.0,false,c1,2024-02-01\n"


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    """Three homes over four days; the second has a duplicate, a refused row and a file that can't be read."""
    root = build_lake(tmp_path / "lake", SITES + THIRD)
    for day in DAYS:
        put(root, "part.parquet", pl.concat([rows(home, day) for home in "abc"]), day)
    put(root, "late.csv", rows("a", DAYS[1], l1_w=111.0).head(8), DAYS[1], arrived_h=1)
    put(root, "wrong.parquet", rows("b", DAYS[1], l1_w=1e9).head(3), DAYS[1], arrived_h=2)
    put(root, "broken.parquet", b"no parquet", DAYS[1], arrived_h=2)
    return root


@pytest.fixture
def out(tmp_path: Path) -> Path:
    publish_run(tmp_path / "out", DAYS[-1])
    return tmp_path / "out"


@pytest.fixture
def correct(lake: Path, out: Path) -> Callable[..., CorrectionResult]:
    def run(*episodes: dict[str, Any], sites: tuple[str, ...] = (), **stages: Any) -> CorrectionResult:
        chosen = stages_of(*episodes)
        if stages:
            chosen = Stages(chosen.find, stages["correct"], chosen.write)
        return correct_lake(CorrectionRequest(lake, out, sites), SETTINGS, chosen)

    return run


def day_file(out: Path, day: date) -> Path:
    return out / "corrected" / f"date={day}" / "corrected.parquet"


def homes_in(out: Path, day: date) -> list[str]:
    return pl.read_parquet(day_file(out, day), hive_partitioning=False)["site_id"].unique().sort().to_list()


A, B = episode("a", DAYS[0]), episode("b", DAYS[1], DAYS[2], fault="dead")


def test_each_day_has_the_homes_of_its_episodes_row_for_row(
    correct: Callable[..., CorrectionResult], out: Path
) -> None:
    result = correct(A, B, episode("c", DAYS[0], why_not="too unsure"))

    assert [homes_in(out, day) for day in DAYS] == [["a"], ["a", "b"], ["a", "b"], ["a"]]
    second = pl.read_parquet(day_file(out, DAYS[1]), hive_partitioning=False)
    assert second.schema == CORRECTED
    assert second.select("site_id", "interval_start").rows() == sorted(
        second.select("site_id", "interval_start").unique().rows()
    )
    of_a = second.filter(site_id="a")
    assert of_a["l1_w_reported"].to_list() == [111.0] * 8 + [300.0] * 88
    assert of_a["l1_w"].to_list() == [111.0] * 4 + [-111.0] * 4 + [-300.0] * 88
    assert second.filter(site_id="b")["l1_w"].null_count() == 92
    assert (result.days_written, result.days_removed, result.days_gone) == (4, 0, 0)


def test_the_reconciliation_has_every_home_and_day_and_adds_up(
    correct: Callable[..., CorrectionResult], out: Path
) -> None:
    summary = correct(A, B, episode("c", DAYS[0], why_not="too unsure")).summary()

    table = pl.read_parquet(out / "corrected" / "reconciliation.parquet")
    columns = ("rows_in", "used", "duplicate", "rejected", "exact", "estimated", "as_reported", "empty")
    assert table.filter(date=DAYS[1]).select("site_id", *columns).rows() == [
        ("a", 104, 96, 8, 0, 92, 0, 4, 0),
        ("b", 99, 96, 0, 3, 0, 0, 4, 92),
    ]
    assert table.height == 6
    methods = {"exact": 4 * 92, "estimated": 0, "as reported": 6 * 4, "empty": 2 * 92}
    assert summary["methods"] == methods
    assert summary["rows"] == {"rows_in": 6 * 96 + 11, "used": 6 * 96, "duplicate": 8, "rejected": 3}
    assert sum(methods.values()) == summary["rows"]["used"]
    record = json.loads((out / "corrected" / "correct.json").read_text())
    assert {name: record[name] for name in ("homes", "days", "methods", "not_corrected")} == {
        "homes": 2,
        "days": 4,
        "methods": methods,
        "not_corrected": {"too unsure": 1},
    }
    assert list(record["seconds"]) == ["find the episodes", "correct the days", "write the statement"]


def test_the_same_again_touches_no_file(correct: Callable[..., CorrectionResult], out: Path) -> None:
    correct(A, B)
    before = times(out / "corrected")
    del before[str(out / "corrected" / "report" / "index.html")]  # the statement's own business

    result = correct(A, B)

    assert times(out / "corrected").items() >= before.items()
    assert result.days_written == 0


def changed_days(out: Path, before: dict[str, bytes]) -> list[date]:
    after = contents(out / "corrected")
    return [day for day in DAYS if before.get(name := f"date={day}/corrected.parquet") != after.get(name)]


def test_a_late_file_changes_its_day_only(
    correct: Callable[..., CorrectionResult], lake: Path, out: Path
) -> None:
    correct(A, B)
    before = contents(out / "corrected")
    put(lake, "later.parquet", rows("a", DAYS[2], l1_w=5.0).tail(2), DAYS[2], arrived_h=9)

    result = correct(A, B)

    assert (result.days_written, changed_days(out, before)) == (1, [DAYS[2]])
    assert pl.read_parquet(day_file(out, DAYS[2])).filter(site_id="a")["l1_w"].tail(2).to_list() == [-5.0] * 2


def test_another_story_changes_the_days_of_it_and_reads_that_home_only(
    correct: Callable[..., CorrectionResult], out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    correct(A, B)
    before = contents(out / "corrected")
    read: list[str] = []
    read_homes = extract.OpenedDay.read
    monkeypatch.setattr(
        extract.OpenedDay, "read", lambda opened, homes: read.extend(homes) or read_homes(opened, homes)
    )

    correct(A, {**B, "likelihood": 0.95})

    assert changed_days(out, before) == DAYS[1:3]
    assert read == ["b", "b"]


def test_whatever_came_before_the_bytes_are_those_of_a_fresh_run(
    correct: Callable[..., CorrectionResult], lake: Path, out: Path, tmp_path: Path
) -> None:
    correct(A, episode("c", DAYS[1], likelihood=0.5))
    put(lake, "later.parquet", rows("a", DAYS[2], l1_w=5.0).tail(2), DAYS[2], arrived_h=9)
    correct(A, B, sites=("b",))
    correct(A, B, episode("c", DAYS[0], DAYS[2]))
    fresh = tmp_path / "fresh"
    publish_run(fresh, DAYS[-1])

    correct_lake(CorrectionRequest(lake, fresh), SETTINGS, stages_of(A, B, episode("c", DAYS[0], DAYS[2])))

    assert contents(fresh / "corrected") == contents(out / "corrected")


def test_other_settings_or_code_redo_all_days(
    correct: Callable[..., CorrectionResult], lake: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    correct(A)
    monkeypatch.setattr("pipeline.correction.correct_day.code_digest", lambda: "other")
    assert correct(A).days_written == 4
    stricter = SETTINGS.model_copy(
        update={"correction": SETTINGS.correction.model_copy(update={"rival_share": 0.3})}
    )
    assert correct_lake(CorrectionRequest(lake, out), stricter, stages_of(A)).days_written == 4
    nightly = stricter.model_copy(
        update={"correction": stricter.correction.model_copy(update={"in_night": True})}
    )
    assert correct_lake(CorrectionRequest(lake, out), nightly, stages_of(A)).days_written == 0


def test_another_service_redoes_the_days_of_that_home(
    correct: Callable[..., CorrectionResult], lake: Path, out: Path
) -> None:
    correct(A, B)
    (lake / "sites.csv").write_text(SITES.replace("120/240,100,5.0", "120/240,200,5.0") + THIRD)
    assert correct(A, B).days_written == 2


def test_a_day_without_an_episode_goes_and_its_folder_with_it(
    correct: Callable[..., CorrectionResult], out: Path
) -> None:
    correct(A, B)
    result = correct(B)

    assert [day_file(out, day).parent.exists() for day in DAYS] == [False, True, True, False]
    assert (result.days_written, result.days_removed) == (2, 2)
    assert homes_in(out, DAYS[1]) == ["b"]
    assert correct().days_removed == 2
    assert json.loads((out / "corrected" / "correct.json").read_text())["homes"] == 0


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


def test_an_unknown_home_is_refused_with_the_nearest(correct: Callable[..., CorrectionResult]) -> None:
    with pytest.raises(InputError, match="aa: not a home of .*; did you mean 'a'"):
        correct(A, sites=("aa",))


def test_nothing_published_and_a_night_at_work_are_said_in_a_line(
    lake: Path, out: Path, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="no published run; run `nightclamp nightly"):
        correct_lake(CorrectionRequest(lake, tmp_path / "none"), SETTINGS, stages_of())
    with hold_out(out, SETTINGS), pytest.raises(NightFailed, match="another night is at work"):
        correct_lake(CorrectionRequest(lake, out), SETTINGS, stages_of())


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


def test_half_written_files_of_a_killed_run_are_removed(
    correct: Callable[..., CorrectionResult], out: Path
) -> None:
    part = out / "corrected" / f"date={DAYS[0]}" / ".corrected.parquet.abc.part"
    part.parent.mkdir(parents=True)
    part.write_bytes(b"half")
    old = out / "store" / ".correct-1"
    old.mkdir(parents=True)

    correct(B)

    assert not part.parent.exists()
    assert [path.name for path in (out / "store").iterdir()] == []
