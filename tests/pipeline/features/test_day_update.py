"""A day in shards of homes: which of them a night redoes, and that every row of the files is in one of them."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from lakes import CREWS, DAY, SITES, build_lake, put, rows
from stored_nights import content as contents
from stored_nights import rejects_of_days

from pipeline.core import sql_runner
from pipeline.core.errors import NightFailed
from pipeline.core.executors import ThreadExecutor
from pipeline.core.settings import load_settings
from pipeline.features import day_update
from pipeline.features.day_store import Store
from pipeline.features.day_tasks import ShardToTake
from pipeline.features.update_store import StoredDay, refresh_days
from pipeline.ingest import staging
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers

HOMES = "abcdef"
SITE = SITES.splitlines()[1]
REGISTER = "\n".join([SITES.splitlines()[0], *(SITE.replace("a,", f"{home},", 1) for home in HOMES)]) + "\n"


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    """A day of six homes: most in one file, one in a file of text, rows of nobody, and a file that can't be read."""
    root = build_lake(tmp_path / "lake", REGISTER, CREWS)
    nobody = rows("a").head(3).with_columns(site_id=pl.lit(None, pl.String))
    put(root, "1.parquet", pl.concat([*(rows(home) for home in "abcde"), nobody]))
    put(root, "2.csv", pl.concat([rows("f", l1_w=1e9).head(5), rows("e"), rows("zz").head(2)]), arrived_h=1)
    put(root, "3.parquet", b"nonsense", arrived_h=2)
    return root


def night(lake_root: Path, store: Store, homes_per_shard: int) -> StoredDay:
    settings = load_settings()
    limits = settings.lake.model_copy(update={"homes_per_shard": homes_per_shard})
    settings = settings.model_copy(update={"lake": limits})
    lake, workdir = open_lake(lake_root), store.root.parent / "work"
    workdir.mkdir(exist_ok=True)
    con = sql_runner.connect(workdir, settings.engine)
    try:
        (done,) = refresh_days(
            con,
            lake,
            [DAY],
            registers=read_registers(lake, DAY),
            store=store,
            settings=settings,
            workdir=workdir,
        )
    finally:
        con.close()
    return done


def table(done: StoredDay, store: Store, name: str) -> pl.DataFrame:
    return pl.concat([pl.read_parquet(path) for path in done.paths(store, name)])


def stamps(store: Store) -> dict[str, int]:
    return {path.name: path.stat().st_mtime_ns for path in store.root.rglob("*") if path.is_file()}


@pytest.mark.parametrize("homes_per_shard", [1, 2, 4])
def test_any_cut_gives_the_rows_and_counts_of_the_whole(
    lake: Path, tmp_path: Path, homes_per_shard: int
) -> None:
    whole_store, store = Store(tmp_path / "whole"), Store(tmp_path / "cut")
    whole, done = night(lake, whole_store, 99), night(lake, store, homes_per_shard)

    assert len(done.shards) == -(-6 // homes_per_shard)
    assert done.counts == whole.counts
    assert done.counts.rows_in == 5 * 96 + 3 + 5 + 96 + 2
    assert done.counts.unknown_homes == ("zz",)
    for name in ("site_day", "site_hour"):
        assert table(done, store, name).equals(table(whole, whole_store, name))
    rejects = rejects_of_days([done], open_lake(lake), store)
    assert rejects.equals(rejects_of_days([whole], open_lake(lake), whole_store))
    assert rejects["source_row"].to_list()[:4] == [None, *range(481, 484)]


def test_stores_of_either_cut_may_be_mixed(lake: Path, tmp_path: Path) -> None:
    """What one machine has worked out whole a cluster takes as it is, and the other way round."""
    store = Store(tmp_path / "store")
    night(lake, store, 2)
    before = stamps(store)

    assert not night(lake, store, 99).is_fresh
    assert stamps(store) == before


def test_a_home_that_moved_redoes_its_own_shard_only(lake: Path, tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    before = night(lake, store, 2)
    then = stamps(store)
    (lake / "sites.csv").write_text(REGISTER.replace(SITE.replace("a,", "d,", 1), "d,,35,-80,,,,,,c1,"))

    done = night(lake, store, 2)

    assert done.is_fresh
    assert done.counts == before.counts
    redone = {name for name, at in stamps(store).items() if then[name] != at}
    (moved,) = (shard for shard in done.shards if shard.has("d"))
    assert {name.rpartition("-")[2].partition(".")[0] for name in redone} == {moved.name}
    assert not night(lake, store, 2).is_fresh


def test_a_night_that_was_killed_goes_on_from_the_shards_that_are_done(
    lake: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, undisturbed = Store(tmp_path / "store"), Store(tmp_path / "other")
    honest, taken = day_update.take_shard, []

    def killed(con: object, piece: object) -> object:
        taken.append(piece)
        if len(taken) == 3:
            raise KeyboardInterrupt
        return honest(con, piece)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(day_update, "take_shard", killed)
        with pytest.raises(KeyboardInterrupt):
            night(lake, store, 2)
    then = stamps(store)

    done = night(lake, store, 2)

    assert all(stamps(store)[name] == at for name, at in then.items())
    assert table(done, store, "site_day").equals(table(night(lake, undisturbed, 2), undisturbed, "site_day"))


def test_files_go_only_to_the_shards_whose_homes_they_may_hold(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = build_lake(tmp_path / "lake", REGISTER, CREWS)
    for home in HOMES:
        put(root, f"{home}.parquet", rows(home))
    seen: list[list[str]] = []
    honest = ThreadExecutor.__call__

    def watched(hand: ThreadExecutor, name: str, function: object, pieces: list[object]) -> list[object]:
        if name == "take in the days":
            seen.extend([one.file.path.stem for one in piece.opened] for piece in pieces)  # type: ignore[attr-defined]
        return honest(hand, name, function, pieces)  # type: ignore[arg-type]

    monkeypatch.setattr(ThreadExecutor, "__call__", watched)
    night(root, Store(tmp_path / "store"), 2)

    assert seen == [["a", "b"], ["c", "d"], ["e", "f"]]


def lying(path: Path) -> tuple[int, str | None, str | None]:
    """A footer that says that all homes are called a."""
    return pq.read_metadata(path).num_rows, "a", "a"


def test_a_file_whose_footer_hides_homes_is_read_by_a_copy(
    lake: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rows that no shard took are missed, the file copied and the day worked out again."""
    honest = staging.extent
    monkeypatch.setattr(
        "pipeline.ingest.opened_files.extent",
        lambda path: (lying if path.name == "1.parquet" else honest)(path),
    )
    store, plain = Store(tmp_path / "store"), Store(tmp_path / "plain")

    done = night(lake, store, 2)

    assert done.counts == night(lake, plain, 99).counts
    assert not night(lake, store, 2).is_fresh


def test_rows_that_do_not_come_out_again_stop_the_night(
    lake: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.ingest.opened_files.extent", lambda path: (10_000, None, None))

    with pytest.raises(NightFailed, match=f"date={DAY}: the rows don't add up"):
        night(lake, Store(tmp_path / "store"), 2)


def damaged(path: Path, group: int) -> None:
    """Write nonsense over a row group's pages of l1_w; the footer stays."""
    chunk = pq.read_metadata(path).row_group(group).column(2)
    assert chunk.path_in_schema == "l1_w"
    first = chunk.dictionary_page_offset or chunk.data_page_offset
    with path.open("r+b") as file:
        file.seek(first)
        file.write(b"\xff" * chunk.total_compressed_size)


@pytest.fixture
def half_damaged(tmp_path: Path) -> Path:
    """A day of two files, a home a row group; in the second file the last home's rows can't be read."""
    root = build_lake(tmp_path / "half", REGISTER, CREWS)
    for name, homes, hour in (("1", "abc", 0), ("2", "def", 1)):
        path = put(root, f"{name}.parquet", b"", arrived_h=hour)
        pl.concat([rows(home) for home in homes]).write_parquet(path, row_group_size=96)
    damaged(path, 2)
    return root


@pytest.mark.parametrize("homes_per_shard", [1, 2, 99])
def test_a_file_with_a_damaged_page_is_refused_whole_in_every_shard(
    half_damaged: Path, tmp_path: Path, homes_per_shard: int
) -> None:
    """Shards that never come to that page have taken the file's other rows before: these must go out again."""
    store = Store(tmp_path / "store")

    done = night(half_damaged, store, homes_per_shard)

    assert (done.counts.rows_in, done.counts.used) == (3 * 96, 3 * 96)
    assert sorted(table(done, store, "site_day")["site_id"]) == ["a", "b", "c"]
    rejects = rejects_of_days([done], open_lake(half_damaged), store)
    assert rejects["source_file"].to_list() == [f"intervals/date={DAY}/2.parquet"]
    assert "cannot be read" in rejects["reason"][0]
    assert not night(half_damaged, store, homes_per_shard).is_fresh
    digests = {name.split("-")[1] for name in stamps(store) if name.startswith("site_day-")}
    assert digests == {done.digest}


def test_a_night_killed_between_both_ways_of_reading_leaves_no_row_of_the_damaged_file(
    half_damaged: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, honest = Store(tmp_path / "store"), day_update.take_shard

    def killed(con: object, piece: ShardToTake) -> object:
        if piece.probed and piece.shard.before_home is None:
            raise KeyboardInterrupt
        return honest(con, piece)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(day_update, "take_shard", killed)
        with pytest.raises(KeyboardInterrupt):
            night(half_damaged, store, 1)
    done = night(half_damaged, store, 1)

    assert (done.counts.rows_in, done.counts.used) == (3 * 96, 3 * 96)
    undisturbed = Store(tmp_path / "another")
    night(half_damaged, undisturbed, 1)
    assert contents(store) == contents(undisturbed)


def test_the_extent_of_a_file_is_told_only_where_it_is_sure(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    pl.concat([rows("b"), rows("a")]).write_parquet(path)
    assert staging.extent(path) == (192, "a", "b")
    rows("b").with_columns(site_id=pl.lit(None, pl.String)).write_parquet(path)
    assert staging.extent(path) == (96, None, None)
    pq.write_table(pa.table({"SITE_ID": ["b", "c"]}), path, write_statistics=False)
    assert staging.extent(path) == (2, None, None)
    pq.write_table(pa.table({"SITE_ID": ["b", "c"]}), path)
    assert staging.extent(path) == (2, "b", "c")
