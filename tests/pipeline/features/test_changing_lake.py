"""A lake that changes while it is read, and a store that something has spoilt: the day is worked out again."""

from __future__ import annotations

import os
from pathlib import Path

import polars as pl
import pytest
from lakes import SITES, put, rows
from stored_nights import DAYS, content, fresh, night, three_days

from pipeline.core.errors import NightFailed
from pipeline.features import day_tasks
from pipeline.features.day_store import Store


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    return three_days(tmp_path / "lake")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


def test_a_file_that_is_replaced_while_it_is_read_is_read_again(
    lake: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was read may be half of the one and half of the other."""
    honest, turns = day_tasks.day_tables, []

    def replaced_meanwhile(*given: object, **named: object) -> object:
        if named["day"] == DAYS[0] and not turns:
            put(lake, "a.parquet", rows("a", DAYS[0], l1_w=77.0).head(50), DAYS[0], arrived_h=9)
            turns.append(1)
        return honest(*given, **named)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(day_tasks, "day_tables", replaced_meanwhile)
        done = night(lake, store)

    assert [day.counts.rows_in for day in done] == [146, 96, 192]
    undisturbed = Store(store.root.parent / "another")
    night(lake, undisturbed)
    assert content(store) == content(undisturbed)
    assert fresh(night(lake, store)) == []


def test_a_file_that_is_taken_away_or_spoilt_while_it_is_read_is_looked_at_again(
    lake: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest, turns = day_tasks.take_homes, []

    def spoilt_meanwhile(*given: object, **named: object) -> object:
        if given[2] == DAYS[0] and not turns:
            put(lake, "a.parquet", b"half of", DAYS[0], arrived_h=9)
            (lake / "intervals" / f"date={DAYS[0]}" / "b.parquet").unlink()
            turns.append(1)
        return honest(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(day_tasks, "take_homes", spoilt_meanwhile)
    first = night(lake, store)[0]
    assert (first.counts.rows_in, first.counts.files) == (0, 1)
    assert "cannot be read" in pl.read_parquet(first.paths(store, "reject")[0])["reason"][0]


def test_files_that_never_rest_stop_the_night_with_a_line(
    lake: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest, turns = day_tasks.day_tables, []

    def replaced_each_time(*given: object, **named: object) -> object:
        if named["day"] == DAYS[0]:
            turns.append(1)
            put(lake, "a.parquet", rows("a", DAYS[0]).head(len(turns)), DAYS[0], arrived_h=len(turns))
        return honest(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(day_tasks, "day_tables", replaced_each_time)
    with pytest.raises(NightFailed, match=f"date={DAYS[0]}: files keep changing while they are read"):
        night(lake, store)
    assert not list(store.root.rglob(f"date={DAYS[0]}/*.parquet"))


@pytest.mark.parametrize("table", ["site_day", "site_hour", "reject", "intake", "cut"])
@pytest.mark.parametrize("spoilt", [b"", b"PAR1 and no more", None], ids=["empty", "cut", "gone"])
def test_a_day_of_the_store_that_is_spoilt_is_worked_out_again(
    lake: Path, store: Store, table: str, spoilt: bytes | None
) -> None:
    night(lake, store)
    whole = content(store)
    (file,) = (store.root / table / f"date={DAYS[1]}").iterdir()
    file.unlink() if spoilt is None else file.write_bytes(spoilt)

    assert fresh(night(lake, store)) == [DAYS[1]]
    assert content(store) == whole


@pytest.mark.parametrize("at", range(4))
def test_a_day_that_is_redone_for_a_home_now_known_and_killed_is_redone_once_more(
    lake: Path, store: Store, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """The files are the same, so is the digest: what tells that the day is stale must outlast the kill."""
    put(lake, "c.parquet", rows("c", DAYS[0]), DAYS[0])
    night(lake, store)
    (lake / "sites.csv").write_text(SITES + SITES.splitlines()[1].replace("a,", "c,", 1) + "\n")
    replace, calls = os.replace, []

    def killed(source: Path, target: Path) -> None:
        calls.append(target)
        if len(calls) > at:
            raise KeyboardInterrupt
        replace(source, target)

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", killed)
        with pytest.raises(KeyboardInterrupt):
            night(lake, store)

    assert night(lake, store)[0].counts.used == 3 * 96
    undisturbed = Store(store.root.parent / "another")
    night(lake, undisturbed)
    assert content(store) == content(undisturbed)
