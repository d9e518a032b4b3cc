"""Each row in ends up used, a duplicate or a reject with its reason; nothing is lost or silently changed."""

import itertools
import json
import tempfile
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st
from lakes import DAY, SITES, build_lake, only, put, reasons, rejects_of, rows, take_in

from pipeline.core import contract, sql_runner
from pipeline.core.errors import NightFailed
from pipeline.core.settings import load_settings
from pipeline.ingest import intervals
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    return build_lake(tmp_path / "lake")


def test_a_good_day_is_used_whole_sorted_with_absent_columns_null(lake: Path) -> None:
    put(lake, "1.parquet", pl.concat([rows("b"), rows("a", l1_v=120.5)], how="diagonal"))
    intake, used = take_in(lake)
    assert (intake.rows_in, intake.used, intake.duplicate, intake.rejected) == (192, 192, 0, 0)
    assert used.columns == contract.Interval.column_names()
    assert used.schema == pl.Schema(contract.Interval)
    assert used.equals(used.sort("site_id", "interval_start"))
    assert used["battery_w"].null_count() == 192
    assert used.filter(site_id="a")["l1_v"].unique().to_list() == [120.5]


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"l1_w": float("nan")}, "l1_w is NaN or infinite"),
        ({"l2_w": float("inf")}, "l2_w is NaN or infinite"),
        ({"pv_w": float("-inf")}, "pv_w is NaN or infinite"),
        ({"battery_w": float("nan")}, "battery_w is NaN or infinite"),
        ({"l1_w": 100_000.0}, "l1_w is more than the service can carry: |W| above 36000"),
        ({"l2_w": -36_001.0}, "l2_w is more than the service can carry: |W| above 36000"),
        ({"pv_w": 16_000.0}, "pv_w is more than the array can give: |W| above 15000"),
        ({"l1_v": 401.0}, "l1_v is out of range"),
        ({"import_wh": -1.0}, "import_wh is out of range"),
        ({"site_id": "z"}, "unknown home: site_id is not in sites"),
        ({"site_id": None}, "site_id is missing"),
        ({"interval_start": None}, "interval_start is missing"),
        ({"l1_w": None, "l2_w": None}, "l1_w and l2_w are both missing"),
    ],
)
def test_a_bad_row_is_rejected_with_its_reason_and_itself(
    lake: Path, changed: dict[str, object], reason: str
) -> None:
    day = rows("b", l1_v=0.0, battery_w=0.0, import_wh=0.0)
    put(lake, "1.parquet", only(day, 6, **changed))
    intake, used = take_in(lake)
    assert (intake.rows_in, intake.used, intake.rejected) == (96, 95, 1)
    reject = rejects_of(intake).row(0, named=True)
    assert reject["source_file"] == f"intervals/date={DAY}/1.parquet"
    assert reject["source_row"] == 7
    assert reject["reason"] == reason
    shown = json.loads(reject["row"])
    name, value = next(iter(changed.items()))
    told = float(shown[name]) if isinstance(value, float) else shown[name]
    assert told == pytest.approx(value, nan_ok=True)
    assert used.height == 95


def test_a_leg_may_read_twice_the_service_since_a_wrong_ratio_does(lake: Path) -> None:
    put(lake, "1.parquet", rows("b", l1_w=2 * 100 * 120.0, l2_w=-2 * 100 * 120.0))
    intake, _ = take_in(lake)
    assert intake.rejected == 0


def test_exchanged_clamps_show_a_legs_power_as_production_and_are_kept(lake: Path) -> None:
    sites = SITES.replace("100,5.0", "100,0")
    (lake / "sites.csv").write_text(sites, encoding="utf-8")
    put(lake, "1.parquet", rows("b", pv_w=11_000.0))
    intake, _ = take_in(lake)
    assert intake.rejected == 0


def test_one_line_homes_need_no_second_leg(lake: Path) -> None:
    (lake / "sites.csv").write_text(SITES.replace("120/240", "single"), encoding="utf-8")
    put(lake, "1.parquet", rows("b", l1_w=20_000.0).drop("l2_w"))
    intake, used = take_in(lake)
    assert intake.used == 96
    assert used["l2_w"].null_count() == 96


def test_production_may_be_empty_but_its_column_must_be_there(lake: Path) -> None:
    put(lake, "1.parquet", rows("a", pv_w=None))
    put(lake, "2.parquet", rows("b").rename({"pv_w": "pv_power_w"}))
    intake, _ = take_in(lake)
    assert (intake.rows_in, intake.used) == (96, 96)
    file_reject = rejects_of(intake).row(0, named=True)
    assert file_reject["source_file"].endswith("2.parquet")
    assert file_reject["source_row"] is None
    assert file_reject["reason"] == "the file has no column pv_w; did you mean 'pv_power_w'?"


@pytest.mark.parametrize("kept_share", [0.0, 0.5, 0.99])
def test_a_truncated_parquet_file_is_one_reject_and_the_night_goes_on(lake: Path, kept_share: float) -> None:
    broken = put(lake, "1.parquet", rows("a"))
    put(lake, "2.parquet", rows("b"))
    whole = broken.read_bytes()
    broken.write_bytes(whole[: int(len(whole) * kept_share)])
    intake, used = take_in(lake)
    assert intake.used == 96
    assert used["site_id"].unique().to_list() == ["b"]
    assert rejects_of(intake).height == 1
    assert "the file cannot be read as Parquet" in rejects_of(intake)["reason"][0]


def test_damaged_pages_behind_a_good_footer_are_found(lake: Path) -> None:
    noise = rows("a").with_columns(l1_w=(pl.int_range(pl.len()) * 7919 % 501).cast(pl.Float64))
    broken = put(lake, "1.parquet", noise)
    put(lake, "2.parquet", rows("b"))
    whole = bytearray(broken.read_bytes())
    whole[4:400] = b"\xff" * 396
    broken.write_bytes(bytes(whole))
    intake, used = take_in(lake)
    assert used["site_id"].unique().to_list() == ["b"]
    assert "the file cannot be read" in rejects_of(intake)["reason"][0]


def test_a_day_of_nothing_but_broken_files_is_an_empty_day(lake: Path) -> None:
    put(lake, "1.parquet", b"not parquet")
    intake, used = take_in(lake)
    assert (intake.rows_in, rejects_of(intake).height, used.height) == (0, 1, 0)


def test_rows_outside_the_partitions_utc_day_are_rejected(lake: Path) -> None:
    put(lake, "1.parquet", rows("a").with_columns(pl.col("interval_start").dt.offset_by("-1h")))
    intake, _ = take_in(lake)
    assert intake.rejected == 4
    assert reasons(intake) == ["interval_start lies outside its partition's UTC day"]


def test_a_night_in_the_future_is_rejected_whole(lake: Path) -> None:
    tomorrow = DAY + timedelta(days=1)
    put(lake, "1.parquet", rows("a", tomorrow), tomorrow)
    intake, used = take_in(lake, tomorrow, as_of=DAY)
    assert (intake.rejected, used.height) == (96, 0)
    assert reasons(intake) == ["interval_start lies in the future, after the as-of day"]


def test_times_with_a_zone_become_utc(lake: Path) -> None:
    zoned = rows("a").with_columns(
        pl.col("interval_start").dt.replace_time_zone("UTC").dt.convert_time_zone("Asia/Kolkata")
    )
    put(lake, "1.parquet", zoned)
    put(lake, "2.parquet", rows("b").with_columns(pl.col("interval_start").cast(pl.Datetime("ns"))))
    _, used = take_in(lake)
    expected = rows("a")["interval_start"]
    assert used.filter(site_id="a")["interval_start"].equals(expected)
    assert used.filter(site_id="b")["interval_start"].equals(expected)


def test_of_several_rows_for_one_start_the_last_that_arrived_wins(lake: Path) -> None:
    put(lake, "z.parquet", rows("a", l1_w=1.0), arrived_h=0)
    put(lake, "a.parquet", rows("a", l1_w=2.0), arrived_h=5)
    put(lake, "m.parquet", rows("a", l1_w=3.0), arrived_h=1)
    intake, used = take_in(lake)
    assert (intake.rows_in, intake.used, intake.duplicate) == (288, 96, 192)
    assert used["l1_w"].unique().to_list() == [2.0]


def test_within_a_file_the_later_row_wins_and_a_bad_one_never_does(lake: Path) -> None:
    twice = pl.concat([rows("a", l1_w=1.0), rows("a", l1_w=2.0), rows("a", l1_w=float("nan"))])
    put(lake, "1.parquet", twice)
    intake, used = take_in(lake)
    assert (intake.used, intake.duplicate, intake.rejected) == (96, 96, 96)
    assert used["l1_w"].unique().to_list() == [2.0]


def test_a_late_file_adds_to_its_day(lake: Path) -> None:
    day = rows("a")
    put(lake, "1.parquet", day.head(40))
    first, _ = take_in(lake)
    put(lake, "late.csv", day.tail(60), arrived_h=72)
    second, used = take_in(lake)
    assert first.used == 40
    assert (second.rows_in, second.used, second.duplicate) == (100, 96, 4)
    assert used.height == 96


def test_shards_of_homes_give_the_same_as_the_whole(lake: Path, tmp_path: Path) -> None:
    day = pl.concat([rows("a"), rows("b", l2_w=1e9), rows("z"), only(rows("a"), 3, site_id=None)])
    put(lake, "1.parquet", day)
    put(lake, "2.csv", rows("b"))
    put(lake, "3.csv", "nonsense")
    whole, used = take_in(lake)
    settings = load_settings()
    by_home = settings.model_copy(update={"lake": settings.lake.model_copy(update={"homes_per_shard": 1})})
    opened = open_lake(lake)
    con = sql_runner.connect(tmp_path, settings.engine)
    parts, frames = [], []
    for part in intervals.load_shards(
        con, opened, DAY, registers=read_registers(opened, DAY), settings=by_home, workdir=tmp_path / "shards"
    ):
        parts.append(part)
        frames.append(con.table("interval_used").pl().drop("key_us"))
    con.close()
    summed = intervals.total(parts)
    assert len(parts) == 2
    assert pl.concat(frames).equals(used)
    names = ("rows_in", "used", "duplicate", "rejected")
    assert [getattr(summed, n) for n in names] == [getattr(whole, n) for n in names]
    assert rejects_of(summed).sort(pl.all()).equals(rejects_of(whole).sort(pl.all()))


def test_rejects_come_as_they_arrived_after_files_that_can_not_be_read(lake: Path) -> None:
    put(
        lake, "1.parquet", pl.concat([rows("y"), rows("a", l1_w=1e9).head(7), rows("z").head(9)]), arrived_h=1
    )
    put(lake, "2.csv", rows("x").head(6))
    put(lake, "0.parquet", b"nonsense", arrived_h=2)

    intake, _ = take_in(lake)

    rejects = rejects_of(intake)
    assert intake.rejected == 96 + 7 + 9 + 6
    assert rejects["source_file"].to_list() == [
        f"intervals/date={DAY}/{name}"
        for name in ["0.parquet", *6 * ["2.csv"], *(96 + 7 + 9) * ["1.parquet"]]
    ]
    assert rejects["source_row"].to_list() == [None, *range(1, 7), *range(1, 96 + 7 + 9 + 1)]
    assert intake.unknown_homes == ("x", "y", "z")


def test_counts_that_do_not_add_up_fail_the_night(lake: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put(lake, "1.parquet", rows("a"))
    honest = sql_runner.query

    def one_less(con: object, table: str, params: dict[str, object]) -> pl.DataFrame:
        frame = honest(con, table, params)  # type: ignore[arg-type]
        return frame.with_columns(used=pl.col("used") - 1) if table == "interval_count" else frame

    monkeypatch.setattr(sql_runner, "query", one_less)
    with pytest.raises(NightFailed, match="don't add up"):
        take_in(lake)


POOL = pl.concat([rows(s, l1_w=w).head(6) for s in ("a", "b", "z") for w in (1.0, 2.0, 1e9)])


@effort(max_examples=15, deadline=None)
@given(
    order=st.permutations(range(POOL.height)),
    cuts=st.lists(st.integers(0, POOL.height), max_size=3),
    kinds=st.lists(st.sampled_from(["parquet", "csv"]), min_size=4, max_size=4),
)
def test_any_shuffle_of_rows_over_files_reconciles(
    order: list[int], cuts: list[int], kinds: list[str]
) -> None:
    shuffled = POOL[list(order)]
    edges = [0, *sorted(cuts), POOL.height]
    with tempfile.TemporaryDirectory() as folder:
        lake = build_lake(Path(folder) / "lake")
        for number, (start, stop) in enumerate(itertools.pairwise(edges)):
            put(lake, f"{number}.{kinds[number]}", shuffled[start:stop], arrived_h=number)
        intake, used = take_in(lake)
        rejects = rejects_of(intake)
    assert intake.rows_in == POOL.height
    assert intake.rows_in == intake.used + intake.duplicate + intake.rejected
    assert (intake.used, intake.duplicate, intake.rejected) == (12, 12, 30)
    assert rejects.height == intake.rejected
    good = shuffled.filter(pl.col("site_id") != "z", pl.col("l1_w") < 1e6)
    last = good.unique(["site_id", "interval_start"], keep="last", maintain_order=True)
    kept = ["site_id", "interval_start", "l1_w"]
    assert used.select(kept).equals(last.select(kept).sort("site_id", "interval_start"))
