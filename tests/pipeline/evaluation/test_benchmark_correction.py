"""The bench of corrections: days that come again, homes that are copied, and a table that adds up."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

from pipeline.commands import cli
from pipeline.core.errors import InputError
from pipeline.evaluation import benchmark_correction
from pipeline.evaluation.benchmark_correction import CorrectionBenchmark, time_correction, write_days
from pipeline.evaluation.process_usage import Usage
from pipeline.ingest.lake import open_lake

REQUEST = CorrectionBenchmark(homes=4, days=8, minutes=60, distinct=2, workers=1)


def test_a_day_before_the_invented_ones_is_one_of_them_again(tmp_path: Path) -> None:
    write_days(REQUEST, tmp_path / "base", tmp_path / "lake", copies=2)

    lake = open_lake(tmp_path / "lake")
    first, *_, last = lake.days()
    assert (last - first).days == 7
    again, day = (
        pl.concat(
            pl.read_parquet(file.path, hive_partitioning=False) for file in lake.files(lake.days()[number])
        )
        for number in (1, 7)
    )
    assert again["site_id"].n_unique() == 4
    assert again.drop("interval_start").equals(day.drop("interval_start"))
    assert again["interval_start"].dt.date().unique().to_list() == [lake.days()[1]]
    assert not (tmp_path / "base").exists()


def test_a_small_bench_measures_a_night_then_corrections(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    ran: list[str] = []

    def run(name: str, lake: Path, out: Path, *options: str) -> Usage:
        ran.append(name)
        folder = out / "corrected"
        folder.mkdir(parents=True, exist_ok=True)
        methods = {"exact": 70, "empty": 26}
        record = {"homes": 1, "methods": methods, "seconds": {"find the episodes": 1.5}}
        (folder / "correct.json").write_text(json.dumps(record))
        return Usage(0, 5.0 - len(ran), 1.0, 100.0)

    monkeypatch.setattr(benchmark_correction, "run_command", run)
    words = ["--homes", "4", "--correct-days", "8", "--minutes", "60", "--distinct", "2", "--workers", "1"]
    with pytest.raises(SystemExit) as left:
        cli.main(["bench", *words])

    assert not left.value.code
    assert ran == ["nightly", "correct", "correct"]
    header, row, steps = capsys.readouterr().out.splitlines()[-3:]
    assert header.split()[:3] == ["homes", "days", "rows"]
    cells = row.split()
    assert (cells[:2], cells[3:6], cells[-2:]) == (["4", "8"], ["1", "(25.0%)", "96"], ["1.0", "100"])
    assert steps == "4 homes, seconds a step: find the episodes 1.5"


def test_a_size_that_no_number_of_copies_gives_is_refused() -> None:
    with pytest.raises(InputError, match="multiple of the 2 that are simulated"):
        time_correction(CorrectionBenchmark(3, 8, distinct=2), print)
