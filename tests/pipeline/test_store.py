"""A day in the store is whole or not there, and belongs to what it was worked out from."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline import store as store_module
from pipeline.settings import load_settings
from pipeline.store import DayCounts, Store, day_digest

DAY = date(2025, 6, 1)
COUNTS = DayCounts(rows_in=5, used=3, duplicate=1, rejected=1, files=2, unknown_homes=("x", "y"))


def tables(value: int) -> dict[str, pl.DataFrame]:
    return {name: pl.DataFrame({"value": [value]}) for name in store_module.TABLES}


def test_what_is_put_is_found(tmp_path: Path) -> None:
    store = Store(tmp_path)
    assert not store.has(DAY, "one")

    store.put(DAY, "one", tables(1), COUNTS)

    assert store.has(DAY, "one")
    assert not store.has(DAY, "two")
    assert store.counts(DAY, "one") == COUNTS
    assert pl.read_parquet(store.path("site_day", DAY, "one"))["value"].to_list() == [1]


def test_a_day_put_again_replaces_the_stale_one(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.put(DAY, "one", tables(1), COUNTS)
    store.put(date(2025, 6, 2), "one", tables(1), COUNTS)

    store.put(DAY, "two", tables(2), COUNTS)

    assert not store.has(DAY, "one")
    assert store.has(DAY, "two")
    assert store.has(date(2025, 6, 2), "one")
    assert len(list(tmp_path.rglob(f"date={DAY}/*"))) == len(store_module.TABLES) + 1


@pytest.mark.parametrize("at", range(4))
def test_a_night_killed_while_it_writes_leaves_no_half_day(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """Killed at each of the four renames: the day is not there yet; the next night writes it whole."""
    store = Store(tmp_path)
    store.put(DAY, "one", tables(1), COUNTS)
    replace, calls = store_module.os.replace, []

    def killed(source: Path, target: Path) -> None:
        if len(calls) == at:
            raise KeyboardInterrupt
        calls.append(target)
        replace(source, target)

    monkeypatch.setattr(store_module.os, "replace", killed)
    with pytest.raises(KeyboardInterrupt):
        store.put(DAY, "two", tables(2), COUNTS)
    assert not store.has(DAY, "two")
    assert store.has(DAY, "one")

    monkeypatch.setattr(store_module.os, "replace", replace)
    store.put(DAY, "two", tables(2), COUNTS)
    assert store.has(DAY, "two")
    assert not list(tmp_path.rglob("*.part"))


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

    text = store_module.warehouse.sql_text
    monkeypatch.setattr(
        store_module.warehouse, "sql_text", lambda table: text(table) + (table == "ramp") * "\n-- changed"
    )
    assert day_digest("files", settings) != plain
