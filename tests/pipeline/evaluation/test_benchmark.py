"""The bench: copied fleets are what their files would give, the table adds up."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.commands import cli
from pipeline.core import sql_runner
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.evaluation import benchmark
from pipeline.evaluation.benchmark import BenchmarkRequest, BenchmarkRow, growth_exponent
from pipeline.evaluation.benchmark_fleet import copy_day, copy_registers, write_history
from pipeline.evaluation.process_usage import Usage
from pipeline.features.day_store import Store
from pipeline.features.update_store import refresh_days
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec
from pipeline.storage.layout import LINE_TABLE, STORE_TABLES

SETTINGS = load_settings()
SPEC = FleetSpec(6, 2, 15, seed=5)
assert SPEC.end is not None
DAYS = [SPEC.end - timedelta(days=1), SPEC.end]


def refreshed(root: Path, store: Store) -> list[bool]:
    """Bring the store up to date; tell which days were worked out."""
    lake = open_lake(root)
    store.root.mkdir(parents=True, exist_ok=True)
    con = sql_runner.connect(store.root, SETTINGS.engine)
    done = refresh_days(
        con,
        lake,
        DAYS,
        registers=read_registers(lake, DAYS[-1]),
        store=store,
        settings=SETTINGS,
        workdir=store.root / "work",
    )
    con.close()
    return [day.is_fresh for day in done]


def tables(store: Store) -> dict[str, pl.DataFrame]:
    files = {name: sorted((store.root / name).rglob("*.parquet")) for name in STORE_TABLES}
    return {name: pl.read_parquet(paths, hive_partitioning=False) for name, paths in files.items() if paths}


@pytest.mark.parametrize("service", [None, "230/400"])
def test_history_is_laid_down_as_a_backfill_would(tmp_path: Path, service: str | None) -> None:
    base, store = tmp_path / "base", Store(tmp_path / "store")
    write_lake(replace(SPEC, service=service), base)
    assert refreshed(base, store) == [True, True]
    copied, filled = tmp_path / "copied", Store(tmp_path / "filled")
    laid_lake, laid = tmp_path / "laid", Store(tmp_path / "laid-store")
    for root in (copied, laid_lake):
        (root / "intervals").mkdir(parents=True)
        copy_registers(base, root, 3)
    for day in DAYS:
        copy_day(base, copied, 3, day=day)

    assert refreshed(copied, filled) == [True, True]
    write_history((base, store), (laid_lake, laid), 3, days=DAYS, settings=SETTINGS)

    assert refreshed(laid_lake, laid) == [False, False]
    whole, quick = tables(filled), tables(laid)
    assert whole["site_day"].height == 3 * 6 * 2
    assert whole.keys() == quick.keys()
    assert (LINE_TABLE in whole) == (service is not None)
    assert all(whole[name].equals(quick[name]) for name in whole)


@pytest.mark.heavy
def test_a_small_bench_measures_every_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    nights: list[tuple[str, ...]] = []

    def night(lake: Path, out: Path, *options: str) -> Usage:
        with pytest.raises(SystemExit) as left:
            cli.main(["nightly", str(lake), "--out", str(out), *options])
        assert left.value.code in (None, 0, 3)  # 3: with an alarm, as where one home of few has gaps
        nights.append((lake.name, *options))
        return Usage(0, 5.0, 1.0, 100.0)

    monkeypatch.setattr(benchmark, "_run_night", night)
    told: list[str] = []

    (row,) = benchmark.time_fleets(
        BenchmarkRequest((8,), history_days=2, minutes=60, distinct=4, workers=1), SETTINGS, told.append
    )

    assert nights == [("lake",), ("lake-2", "--as-of", str(DAYS[0])), ("lake-2",)]
    assert (row.homes, row.night_s, row.cpu_s, row.peak_mb) == (8, 5.0, 1.0, 100.0)
    assert 0.9 * 8 * 24 < row.rows <= 1.1 * 8 * 24
    assert row.ratio == row.night_s / row.scan_s > 1
    assert row.oracle_ratio is not None
    assert row.oracle_ratio > 0
    assert "copies" in told[0]


def test_sizes_that_no_number_of_copies_gives_are_refused() -> None:
    with pytest.raises(InputError, match="multiple of the 4 homes"):
        benchmark.time_fleets(BenchmarkRequest((8, 10), distinct=4), SETTINGS, print)
    with pytest.raises(InputError, match="at least one"):
        benchmark.time_fleets(BenchmarkRequest(()), SETTINGS, print)


def test_the_exponent_is_the_slope_of_the_logarithms() -> None:
    rows = [BenchmarkRow(n, 1, 1.0, 2.0 * n**1.5, 0.0, 0.0, {}, None) for n in (10, 100, 1000)]

    assert growth_exponent(rows) == pytest.approx(1.5)
    assert growth_exponent(rows[:1]) is None
    assert rows[0].oracle_ratio is None
