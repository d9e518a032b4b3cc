"""Which days a night reads again, and that the others stand untouched."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from lakes import CREWS, DAY, SITES, VISITS, put, rows
from stored_nights import DAYS, SETTINGS, content, fresh, night, three_days

from pipeline.core import sql_runner
from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay, refresh_days
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers

Night = Callable[[], list[StoredDay]]


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    return three_days(tmp_path / "lake")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


def test_the_first_night_reads_all_and_the_second_nothing(lake: Path, store: Store) -> None:
    assert fresh(night(lake, store)) == DAYS
    before = content(store)
    stamps = {path: path.stat().st_mtime_ns for path in store.root.rglob("*.parquet")}

    assert fresh(night(lake, store)) == []
    assert content(store) == before
    assert {path: path.stat().st_mtime_ns for path in store.root.rglob("*.parquet")} == stamps


def test_a_new_day_is_the_only_one_read(lake: Path, store: Store) -> None:
    night(lake, store)
    tomorrow = DAYS[-1] + timedelta(days=1)
    put(lake, "a.parquet", rows("a", tomorrow), tomorrow)

    assert fresh(night(lake, store, tomorrow)) == [tomorrow]


def test_a_late_file_redoes_its_own_day(lake: Path, store: Store) -> None:
    night(lake, store)
    put(lake, "b.parquet", rows("b", DAYS[1]), DAYS[1], arrived_h=30)

    done = night(lake, store)

    assert fresh(done) == [DAYS[1]]
    assert done[1].counts.used == 192
    assert len(pl.read_parquet(done[1].paths(store, "site_day")[0])) == 2
    assert len(list((store.root / "site_day" / f"date={DAYS[1]}").iterdir())) == 1


def test_a_file_sent_again_with_other_content_redoes_its_own_day(lake: Path, store: Store) -> None:
    night(lake, store)
    put(lake, "a.parquet", rows("a", DAYS[0], l1_w=-300.0), DAYS[0], arrived_h=5)

    done = night(lake, store)

    assert fresh(done) == [DAYS[0]]
    first = pl.read_parquet(done[0].paths(store, "site_day")[0]).row(0, named=True)
    assert first["l1_night_p50"] == -300


def test_a_file_taken_away_redoes_its_own_day(lake: Path, store: Store) -> None:
    night(lake, store)
    (lake / "intervals" / f"date={DAYS[2]}" / "b.parquet").unlink()

    done = night(lake, store)

    assert fresh(done) == [DAYS[2]]
    assert done[2].counts.used == 96


def test_the_store_is_rebuilt_to_the_same_bytes(lake: Path, store: Store) -> None:
    night(lake, store)
    before = content(store)
    for path in store.root.rglob("*"):
        if path.is_file():
            path.unlink()

    assert fresh(night(lake, store)) == DAYS
    assert content(store) == before


def test_another_place_redoes_the_days_of_that_home(lake: Path, store: Store) -> None:
    night(lake, store)
    (lake / "sites.csv").write_text(SITES.replace("39.8,-105.1", "39.8,-100.1"))

    assert fresh(night(lake, store)) == [DAYS[0], DAYS[2]]
    assert fresh(night(lake, store)) == []


@pytest.mark.parametrize(
    ("was", "now"),
    [("120/240,100,5.0", "120/240,100,6.0"), ("120/240,100,5.0", "120/208,100,5.0"), ("100,5.0", "125,5.0")],
)
def test_another_rating_or_service_redoes_the_days_of_that_home(
    lake: Path, store: Store, was: str, now: str
) -> None:
    night(lake, store)
    (lake / "sites.csv").write_text(SITES.replace(was, now))

    assert fresh(night(lake, store)) == [DAYS[0], DAYS[2]]


def test_facts_that_no_day_depends_on_redo_nothing(lake: Path, store: Store) -> None:
    night(lake, store)
    (lake / "sites.csv").write_text(SITES.replace("north", "south"))

    assert fresh(night(lake, store)) == []


def test_another_position_of_the_clamps_redoes_the_days_of_that_home(lake: Path, store: Store) -> None:
    night(lake, store)
    (lake / "sites.csv").write_text(SITES.replace("7.6,true,c1", "7.6,false,c1"))

    assert fresh(night(lake, store)) != []


def test_a_home_that_left_the_register_redoes_its_days(lake: Path, store: Store) -> None:
    night(lake, store)
    (lake / "sites.csv").write_text("\n".join(SITES.splitlines()[:2]) + "\n")

    done = night(lake, store)

    assert fresh(done) == [DAYS[0], DAYS[2]]
    assert done[0].counts.unknown_homes == ("b",)


def test_an_unknown_home_that_becomes_known_redoes_its_days(lake: Path, store: Store) -> None:
    put(lake, "n.parquet", rows("new", DAYS[1]), DAYS[1])
    first = night(lake, store)
    assert first[1].counts.unknown_homes == ("new",)
    assert first[1].counts.rejected == 96
    assert fresh(night(lake, store)) == []
    (lake / "sites.csv").write_text(SITES + SITES.splitlines()[1].replace("a,", "new,", 1) + "\n")

    done = night(lake, store)

    assert fresh(done) == [DAYS[1]]
    assert (done[1].counts.rejected, done[1].counts.unknown_homes) == (0, ())


def test_a_day_that_was_still_to_come_is_read_again_in_its_time(lake: Path, store: Store) -> None:
    early = night(lake, store, as_of=DAYS[1])
    assert early[2].counts.used == 0

    done = night(lake, store, as_of=DAYS[2])

    assert fresh(done) == [DAYS[2]]
    assert done[2].counts.used == 192


def test_half_written_files_of_a_killed_night_are_ignored(lake: Path, store: Store) -> None:
    done = night(lake, store)
    before = content(store)
    whole = done[0].paths(store, "site_day")[0]
    whole.with_name(f".{whole.name}.part").write_bytes(whole.read_bytes()[:100])

    assert fresh(night(lake, store)) == []
    put(lake, "late.parquet", rows("b", DAYS[0], l2_w=1.0), DAYS[0], arrived_h=9)
    assert fresh(night(lake, store)) == [DAYS[0]]
    assert not list(store.root.rglob("*.part"))
    assert len(content(store)) == len(before)


def test_a_day_without_its_last_file_is_redone(lake: Path, store: Store) -> None:
    """A night killed while it wrote a day leaves no site_day, which comes last."""
    done = night(lake, store)
    before = content(store)
    done[1].paths(store, "site_day")[0].unlink()

    assert fresh(night(lake, store)) == [DAYS[1]]
    assert content(store) == before


def test_another_number_in_the_settings_redoes_every_day(
    lake: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    night(lake, store)
    other = SETTINGS.model_copy(update={"day": SETTINGS.day.model_copy(update={"noise_w": 13.0})})
    monkeypatch.setattr("stored_nights.SETTINGS", other)

    assert fresh(night(lake, store)) == DAYS


def test_other_visits_and_crews_redo_nothing(lake: Path, store: Store) -> None:
    night(lake, store)
    (lake / "visits.csv").write_text(f"{VISITS}v1,a,{DAY},c1,sound,,false,\n")
    (lake / "crews.csv").write_text(CREWS + "c2,Second crew\n")

    assert fresh(night(lake, store)) == []


def test_the_same_bytes_at_another_time_are_another_arrival(lake: Path, store: Store) -> None:
    night(lake, store)
    path = lake / "intervals" / f"date={DAYS[0]}" / "a.parquet"
    os.utime(path, (path.stat().st_mtime + 60,) * 2)

    assert fresh(night(lake, store)) == [DAYS[0]]


def test_a_stopped_backfill_goes_on_after_the_days_that_are_done(lake: Path, store: Store) -> None:
    opened = open_lake(lake)
    workdir = store.root.parent / "work"
    workdir.mkdir()
    register = read_registers(opened, DAYS[-1])

    def stop(day: date, is_fresh: bool) -> None:
        if day == DAYS[1]:
            raise KeyboardInterrupt

    con = sql_runner.connect(workdir, SETTINGS.engine)
    with pytest.raises(KeyboardInterrupt):
        refresh_days(
            con, opened, DAYS, registers=register, store=store, settings=SETTINGS, workdir=workdir, tell=stop
        )
    con.close()
    half = content(store)

    assert fresh(night(lake, store)) == [DAYS[2]]
    assert {name: data for name, data in content(store).items() if name in half} == half
