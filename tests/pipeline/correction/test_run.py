"""A run over days: what is written, what is left alone, what goes."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from corrections import (
    DAYS,
    THIRD_HOME,
    A,
    B,
    changed_days,
    contents,
    day_file,
    episode,
    homes_in,
    publish_run,
    stages_of,
    times,
)
from lakes import SITES, put, rows

from pipeline.core.errors import InputError, NightFailed
from pipeline.core.settings import load_settings
from pipeline.correction import extract
from pipeline.correction.layout import CORRECTED
from pipeline.correction.outcome import CorrectionResult
from pipeline.correction.run import CorrectionRequest, correct_lake
from pipeline.storage.output_location import hold_out

SETTINGS = load_settings()


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
    (lake / "sites.csv").write_text(SITES.replace("120/240,100,5.0", "120/240,200,5.0") + THIRD_HOME)
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


def test_an_unknown_home_is_refused_with_the_nearest(correct: Callable[..., CorrectionResult]) -> None:
    with pytest.raises(InputError, match=r"aa: not a home of .*; did you mean 'a'"):
        correct(A, sites=("aa",))


def test_nothing_published_and_a_night_at_work_are_said_in_a_line(
    lake: Path, out: Path, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="no published run; run `nightclamp nightly"):
        correct_lake(CorrectionRequest(lake, tmp_path / "none"), SETTINGS, stages_of())
    with hold_out(out, SETTINGS), pytest.raises(NightFailed, match="another night is at work"):
        correct_lake(CorrectionRequest(lake, out), SETTINGS, stages_of())


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
