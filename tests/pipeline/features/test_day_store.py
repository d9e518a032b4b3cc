"""A day in the store is whole or not there, and belongs to what it was worked out from."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq
import pytest

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.core.sharding import WHOLE, between
from pipeline.features import day_store
from pipeline.features.day_counts import DayCounts, total_counts
from pipeline.features.day_store import Cut, Store, day_digest
from pipeline.storage.layout import STORE_TABLES

DAY = date(2025, 6, 1)
LEFT, RIGHT = between(["m"])
COUNTS = DayCounts(
    rows_in=5, used=3, duplicate=1, rejected=1, files=2, unknown_homes=("x", "y"), three_line_homes=1
)
TWO_LEGS = replace(COUNTS, three_line_homes=0)


def tables(value: int) -> dict[str, pl.DataFrame]:
    return {name: pl.DataFrame({"value": [value]}) for name in STORE_TABLES}


def test_what_is_put_is_found(tmp_path: Path) -> None:
    store = Store(tmp_path)
    assert not store.has(DAY, "one", WHOLE)

    store.put(DAY, "one", WHOLE, tables(1), COUNTS)

    assert store.has(DAY, "one", WHOLE)
    assert not store.has(DAY, "two", WHOLE)
    assert not store.has(DAY, "one", LEFT)
    assert store.counts(DAY, "one", WHOLE) == COUNTS
    assert pl.read_parquet(store.path("site_day", DAY, "one", WHOLE))["value"].to_list() == [1]


def test_a_day_without_homes_of_three_lines_has_no_file_of_their_pairs(tmp_path: Path) -> None:
    """What an earlier writing of the same day left is removed, and readers take the absent file as no rows."""
    store, two_leg = Store(tmp_path), tables(1) | {"line_day": pl.DataFrame({"value": []})}
    store.put_cut(DAY, "one", Cut((WHOLE,), 5))
    store.put(DAY, "one", WHOLE, tables(1), COUNTS)
    assert store.whole_files("line_day", DAY, ["a"]) == [store.path("line_day", DAY, "one", WHOLE)]

    store.put(DAY, "one", WHOLE, two_leg, TWO_LEGS)

    assert store.has(DAY, "one", WHOLE)
    assert not list(tmp_path.rglob("line_day*.parquet"))
    assert store.whole_files("line_day", DAY, ["a"]) == []
    assert store.whole_files("site_day", DAY, ["a"]) == [store.path("site_day", DAY, "one", WHOLE)]
    assert store.counts(DAY, "one", WHOLE) == TWO_LEGS
    assert "three" not in store.counts_path(DAY, "one", WHOLE).read_text()


@pytest.mark.parametrize("cut_to", [0, 7, None])
def test_a_shard_whose_pairs_are_lost_or_cut_off_is_not_whole(tmp_path: Path, cut_to: int | None) -> None:
    """The counts say that there are some, so a missing file isn't taken for a fleet of two-leg homes."""
    store = Store(tmp_path)
    store.put_cut(DAY, "one", Cut((WHOLE,), 5))
    store.put(DAY, "one", WHOLE, tables(1), COUNTS)
    path = store.path("line_day", DAY, "one", WHOLE)
    if cut_to is None:
        path.unlink()
    else:
        path.write_bytes(path.read_bytes()[:cut_to])

    assert not store.has(DAY, "one", WHOLE)


def test_what_every_night_reads_whole_is_quick_to_unpack(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.put(DAY, "one", WHOLE, tables(1), COUNTS)

    files = {table: pq.read_metadata(store.path(table, DAY, "one", WHOLE)) for table in STORE_TABLES}
    packed = {table: file.row_group(0).column(0).compression for table, file in files.items()}
    assert packed == {"site_day": "LZ4", "line_day": "LZ4", "site_hour": "ZSTD", "reject": "ZSTD"}


def test_a_cut_is_kept_with_the_ids_as_they_are(tmp_path: Path) -> None:
    store = Store(tmp_path)
    shards = between(["../a", 'b"\u00e9', "\U0001f3e0"])
    assert store.newest_shards() == ()

    store.put_cut(DAY, "one", Cut(shards, 7))

    assert store.cut(DAY, "one") == Cut(shards, 7)
    assert store.cut(DAY, "two") is None
    assert store.newest_shards() == shards
    assert [path.name for path in tmp_path.rglob("*.json")] == ["cut-one.json"]


def test_what_is_stale_goes_and_other_days_stay(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.put_cut(DAY, "one", Cut((WHOLE,), 5))
    store.put(DAY, "one", WHOLE, tables(1), COUNTS)
    store.put(date(2025, 6, 2), "one", WHOLE, tables(1), COUNTS)
    store.put_cut(DAY, "two", Cut((LEFT, RIGHT), 10))
    for shard in (LEFT, RIGHT):
        store.put(DAY, "two", shard, tables(2), COUNTS)

    store.drop_stale(DAY, "two", (LEFT, RIGHT))

    assert not store.has(DAY, "one", WHOLE)
    assert store.cut(DAY, "one") is None
    assert store.has(DAY, "two", LEFT)
    assert store.has(DAY, "two", RIGHT)
    assert store.has(date(2025, 6, 2), "one", WHOLE)
    assert len(list(tmp_path.rglob(f"date={DAY}/*"))) == 2 * (len(STORE_TABLES) + 1) + 1


@pytest.mark.parametrize("at", range(5))
def test_a_worker_killed_while_it_writes_leaves_no_half_shard(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """Killed before each of the five renames: the shard is not there, and no reader finds what is half."""
    store = Store(tmp_path)
    store.put(DAY, "one", WHOLE, tables(1), COUNTS)
    rename, calls = os.replace, []

    def killed(source: Path, target: Path) -> None:
        if len(calls) == at:
            raise KeyboardInterrupt
        calls.append(target)
        rename(source, target)

    monkeypatch.setattr(os, "replace", killed)
    with pytest.raises(KeyboardInterrupt):
        store.put(DAY, "two", LEFT, tables(2), COUNTS)
    assert not store.has(DAY, "two", LEFT)
    assert store.has(DAY, "one", WHOLE)
    assert len(list(tmp_path.rglob("site_day-two-*.parquet"))) == (at == 4)

    monkeypatch.setattr(os, "replace", rename)
    store.put_cut(DAY, "two", Cut((LEFT,), 5))
    store.put(DAY, "two", LEFT, tables(2), COUNTS)
    assert store.has(DAY, "two", LEFT)
    store.drop_stale(DAY, "two", (LEFT,))
    assert not list(tmp_path.rglob("*.part"))


def test_a_shard_written_twice_at_once_is_there_once(tmp_path: Path) -> None:
    """As when a worker that was thought dead goes on: both write the same bytes, neither in the other's file."""
    store = Store(tmp_path)
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda _: store.put(DAY, "one", LEFT, tables(1), COUNTS), range(12)))

    assert store.has(DAY, "one", LEFT)
    assert len(list(tmp_path.rglob("*.*"))) == len(STORE_TABLES) + 1


def test_counts_of_shards_add_up_to_the_day() -> None:
    other = DayCounts(rows_in=3, used=3, duplicate=0, rejected=0, files=2, unknown_homes=("a",))

    assert total_counts([COUNTS, other]) == DayCounts(8, 6, 1, 1, 2, ("a", "x", "y"), 1)


def test_the_digest_depends_on_files_queries_and_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    settings = load_settings()
    plain = day_digest("files", settings)

    assert day_digest("files", settings) == plain
    assert day_digest("other files", settings) != plain
    assert (
        day_digest(
            "files", settings.model_copy(update={"day": settings.day.model_copy(update={"zero_w": 5.0})})
        )
        != plain
    )
    lists = settings.ranking.model_copy(update={"max_rows": 7})
    assert day_digest("files", settings.model_copy(update={"ranking": lists})) == plain
    smaller = settings.lake.model_copy(update={"homes_per_shard": 7})
    assert day_digest("files", settings.model_copy(update={"lake": smaller})) == plain

    text = sql_runner.sql_text
    with monkeypatch.context() as patched:
        patched.setattr(
            sql_runner, "sql_text", lambda table: text(table) + (table == "interval_checked") * "\n-- changed"
        )
        assert day_digest("files", settings) != plain
    monkeypatch.setattr(day_store, "kernel_digest", lambda: "other code")
    assert day_digest("files", settings) != plain
