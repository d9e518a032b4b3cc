"""Every reject of a night once, in one order, counted: what holding all of them at once would give."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from lakes import CREWS, DAY, SITES, build_lake, put, rows
from stored_nights import NO_METERS, rejects_of_days

from pipeline.core import contract, sql_runner
from pipeline.core.atomic_files import write_parquet
from pipeline.core.errors import NightFailed
from pipeline.core.settings import load_settings
from pipeline.core.sharding import between
from pipeline.features.day_counts import DayCounts
from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay, refresh_days
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import Registers, read_registers
from pipeline.nightly.rejects import by_reason, count_rejects, write_rejects

HEADER, SITE = SITES.splitlines()[:2]
REGISTER = (
    "\n".join([HEADER, *(SITE.replace("a,", f"{home},", 1) for home in "abcdef"), "bad,nowhere"]) + "\n"
)
DAYS = [DAY - timedelta(days=2), DAY - timedelta(days=1), DAY]


def spoilt(home: str, day: date, count: int) -> pl.DataFrame:
    return rows(home, l1_w=1e9).head(count).with_columns(pl.col("interval_start") - (DAY - day))


@pytest.fixture
def lake(tmp_path: Path) -> Lake:
    """Three days; homes of every shard are refused in several files, one of which can't be read."""
    root = build_lake(tmp_path / "lake", REGISTER, CREWS)
    for at, day in enumerate(DAYS):
        unknown = [spoilt(home, day, 5 + at) for home in ("bb", "zz", "Aa", "e9")]
        put(root, "1.parquet", pl.concat([spoilt(home, day, 3) for home in "fbdace"] + unknown), day)
        put(root, "2.csv", pl.concat([spoilt(home, day, 2 + at) for home in "eca"]), day, arrived_h=2)
        put(root, "0.csv", pl.concat([spoilt(home, day, 4) for home in ("d", "b", "c0")]), day, arrived_h=3)
        put(root, "3.parquet", b"nonsense", day, arrived_h=1)
    return open_lake(root)


def night(lake: Lake, root: Path, homes_per_shard: int) -> tuple[list[StoredDay], Store, Registers]:
    settings = load_settings()
    limits = settings.lake.model_copy(update={"homes_per_shard": homes_per_shard})
    settings = settings.model_copy(update={"lake": limits})
    store, registers = Store(root / "store"), read_registers(lake, DAY)
    (root / "work").mkdir(parents=True)
    con = sql_runner.connect(root / "work", settings.engine)
    stored = refresh_days(
        con, lake, DAYS, registers=registers, store=store, settings=settings, workdir=root / "work"
    )
    con.close()
    return stored, store, registers


def concatenated(stored: list[StoredDay], lake: Lake, store: Store, registers: Registers) -> pl.DataFrame:
    """All rejects held at once: the registers', then day by day unread files, then rows as they arrived."""
    parts = [registers.rejects]
    for day in stored:
        arrived = [file.name for file in lake.files(day.day)]
        held = pl.concat([pl.read_parquet(path) for path in day.paths(store, "reject")])
        place = pl.col("source_file").replace_strict(arrived, range(len(arrived)), return_dtype=pl.Int64)
        parts.append(held.sort(pl.col("source_row").is_not_null(), place, "source_row"))
    return pl.concat(parts)


@pytest.mark.parametrize("homes_per_shard", [1, 4, 99])
def test_rows_order_and_counts_are_those_of_all_held_at_once(
    lake: Lake, tmp_path: Path, homes_per_shard: int
) -> None:
    stored, store, registers = night(lake, tmp_path / "out", homes_per_shard)
    expected = concatenated(stored, lake, store, registers)

    written = rejects_of_days(stored, lake, store, registers.rejects)
    counted = count_rejects(registers.rejects, stored, lake, store=store, meters=NO_METERS)

    assert {len(day.shards) for day in stored} == {-(-6 // homes_per_shard)}
    assert written.equals(expected)
    assert expected["source_file"].n_unique() == 1 + 3 * 4
    rejected = sum(day.counts.rejected for day in stored)
    assert rejected == sum(18 + 4 * (5 + at) + 3 * (2 + at) + 12 for at in range(3))
    assert sum(day.counts.rows_in for day in stored) == rejected
    assert counted.filter("is_row")["count"].sum() == rejected + 1
    assert counted.filter(~pl.col("is_row"))["count"].to_list() == [1, 1, 1]
    reasons = expected.group_by("reason").len("count").sort("count", "reason", descending=[True, False])
    assert by_reason(counted).equals(reasons)


def test_a_store_that_lost_a_row_fails_the_night(lake: Lake, tmp_path: Path) -> None:
    stored, store, registers = night(lake, tmp_path / "out", 99)
    spoilt_day = replace(stored[1], counts=replace(stored[1].counts, rejected=stored[1].counts.rejected + 1))

    with pytest.raises(NightFailed, match=rf"{DAYS[1]} counts .* delete .*store and run the night again"):
        count_rejects(registers.rejects, [stored[0], spoilt_day], lake, store=store, meters=NO_METERS)


def test_rejects_that_do_not_fit_in_memory_are_sorted_beside_it(lake: Lake, tmp_path: Path) -> None:
    """400,000 rows of 1 KB, every other one in each of two shards, with 300 MB."""
    shards, store = between(["c"]), Store(tmp_path / "store")
    name, count = f"intervals/date={DAY}/1.parquet", 400_000
    every = pl.select(
        source_file=pl.lit(name), source_row=pl.int_range(1, count + 1), reason=pl.lit("bad")
    ).with_columns(row=pl.format("{} {}", "source_row", pl.lit("0123456789" * 100)))
    for shard, rows_ in zip(shards, (every.gather_every(2), every.gather_every(2, 1)), strict=True):
        write_parquet(store.path("reject", DAY, "d", shard), rows_)
    day = StoredDay(DAY, "d", shards, DayCounts(count, 0, 0, count, 1), is_fresh=False)
    engine = load_settings().engine.model_copy(update={"memory_limit": "300MB"})

    with closing(sql_runner.connect(tmp_path / "spilt", engine)) as con:
        write_rejects(
            con,
            tmp_path / "rejects.parquet",
            contract.rejects(),
            stored=[day],
            lake=lake,
            store=store,
            meters=NO_METERS,
        )

    assert pl.read_parquet(tmp_path / "rejects.parquet").equals(every)
