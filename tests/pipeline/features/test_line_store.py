"""Table line_day in the store: written where homes have three lines, redone with its day, and never half there."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from lakes import DAY, SITES, build_lake, put, rows
from stored_nights import DAYS, content, fresh, night

from pipeline.core.sharding import between
from pipeline.features.day_store import Store
from pipeline.features.hour_files import SITE_HOUR, scan_hours
from pipeline.features.update_store import StoredDay
from pipeline.storage.retention import drop_store_days

THREE = SITES.replace(
    "a,America/Denver,39.7,-105.0,north,120/240", "a,America/Denver,39.7,-105.0,north,230/400"
)


def three_lines(day: date) -> pl.DataFrame:
    return rows("a", day, l3_w=100.0, l1_v=230.0, l2_v=231.0, l3_v=232.0)


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    """Three days of a, which has three lines, and b, which has two; on the second day only b has rows."""
    root = build_lake(tmp_path / "lake", sites=THREE)
    for day in DAYS:
        if day != DAYS[1]:
            put(root, "a.parquet", three_lines(day), day)
        put(root, "b.parquet", rows("b", day), day)
    return root


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


def line_files(done: list[StoredDay], store: Store) -> list[date]:
    """Return the days with a file of line_day."""
    files = [(day.day, day.paths(store, "line_day")) for day in done]
    assert all(path.is_file() for _, paths in files for path in paths)
    return [day for day, paths in files if paths]


def test_only_days_with_three_lines_have_rows_of_pairs(lake: Path, store: Store) -> None:
    done = night(lake, store)

    assert line_files(done, store) == [DAYS[0], DAYS[2]]
    assert [day.counts.three_line_homes for day in done] == [1, 0, 1]
    pairs = pl.read_parquet(done[0].paths(store, "line_day")[0], hive_partitioning=False)
    assert pairs.select("site_id", "pair", "l1_night_p50", "l2_night_p50").rows() == [
        ("a", "23", 200.0, 100.0), ("a", "31", 100.0, 300.0), ("a", "sum", 600.0, None),
    ]  # fmt: skip
    assert done[0].paths(store, "line_day", ["b"]) == done[0].paths(store, "line_day", ["a"])
    assert store.whole_files("line_day", DAYS[1], ["a"]) == []
    assert fresh(night(lake, store)) == []


def test_a_shard_without_three_lines_has_no_file(
    lake: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.features.day_update.cut", lambda *given: between(["b"]))

    (first, *_) = night(lake, store)

    assert len(first.paths(store, "site_day")) == 2
    (only,) = first.paths(store, "line_day")
    assert only.name.endswith(f"-{first.shards[0].name}.parquet")
    assert first.paths(store, "line_day", ["b"]) == []


@pytest.mark.parametrize("spoilt", [b"", b"PAR1 and no more", None], ids=["empty", "cut", "gone"])
def test_pairs_that_are_spoilt_are_worked_out_again(lake: Path, store: Store, spoilt: bytes | None) -> None:
    night(lake, store)
    whole = content(store)
    (file,) = (store.root / "line_day" / f"date={DAYS[0]}").iterdir()
    file.unlink() if spoilt is None else file.write_bytes(spoilt)

    assert fresh(night(lake, store)) == [DAYS[0]]
    assert content(store) == whole


@pytest.mark.parametrize("at", range(12))
def test_a_night_killed_anywhere_is_finished_by_the_next(
    lake: Path, store: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, at: int
) -> None:
    """Killed before its n-th renaming, the store is afterwards what an undisturbed night leaves."""
    undisturbed = Store(tmp_path / "other" / "store")
    undisturbed.root.parent.mkdir()
    night(lake, undisturbed)
    rename, calls = os.replace, []

    def killed(source: Path, target: Path) -> None:
        if len(calls) == at:
            raise KeyboardInterrupt
        calls.append(target)
        rename(source, target)

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", killed)
        with pytest.raises(KeyboardInterrupt):
            night(lake, store)
    night(lake, store)

    assert content(store) == content(undisturbed)


@pytest.mark.parametrize("killed_at", ["site_hour", "line_day", "site_day"])
def test_a_home_that_moved_is_redone_though_the_night_is_killed_meanwhile(
    lake: Path, store: Store, monkeypatch: pytest.MonkeyPatch, killed_at: str
) -> None:
    """The old site_day says that the day is to be redone until the new one is there, which comes last."""
    night(lake, store)
    (lake / "sites.csv").write_text(THREE.replace("39.7,-105.0", "39.7,-95.0"))
    rename = os.replace

    def killed(source: Path, target: Path) -> None:
        if killed_at in str(target):
            raise KeyboardInterrupt
        rename(source, target)

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", killed)
        with pytest.raises(KeyboardInterrupt):
            night(lake, store)

    assert fresh(night(lake, store)) == [DAYS[0], DAYS[2]]
    assert fresh(night(lake, store)) == []


def test_a_day_that_loses_its_third_line_loses_the_file(lake: Path, store: Store) -> None:
    night(lake, store)
    put(lake, "a.parquet", three_lines(DAY).with_columns(l3_w=pl.lit(None, pl.Float64)), arrived_h=5)

    done = night(lake, store)

    assert line_files(done, store) == [DAYS[2]]
    assert not list((store.root / "line_day" / f"date={DAY}").glob("*"))


def test_an_unknown_home_of_three_lines_that_becomes_known_has_its_pairs(lake: Path, store: Store) -> None:
    (lake / "sites.csv").write_text(THREE.splitlines()[0] + "\n" + THREE.splitlines()[2] + "\n")
    assert line_files(night(lake, store), store) == []
    (lake / "sites.csv").write_text(THREE)

    assert line_files(night(lake, store), store) == [DAYS[0], DAYS[2]]


def test_pairs_go_with_the_days_that_are_no_longer_kept(lake: Path, store: Store) -> None:
    night(lake, store)

    assert drop_store_days(store.root, DAYS[2]) == (DAYS[0], DAYS[1])
    assert [path.name for path in (store.root / "line_day").iterdir()] == [f"date={DAYS[2]}"]


def test_hours_of_all_days_are_read_together_whichever_has_the_third_line(lake: Path, store: Store) -> None:
    done = night(lake, store)
    files = [path for day in done for path in day.paths(store, "site_hour")]
    scan: Callable[[list[Path]], pl.DataFrame] = lambda paths: scan_hours(paths).collect()  # noqa: E731

    for order in (files, files[::-1]):
        hours = scan(order)
        assert hours.schema == SITE_HOUR
        third = hours.filter(pl.col("l3_w").is_not_null())
        assert (third["site_id"].unique().to_list(), third.height) == (["a"], 48)
    assert scan([files[1]])["l3_w"].null_count() == 24
    assert pl.read_parquet_schema(files[0]) == SITE_HOUR
