"""Nights of a simulated fleet: ordinary ones raise nothing, each event its one alarm, and none hides the list."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from lakes import DAY, build_lake, put, rows

from pipeline.commands import cli
from pipeline.core.alarm import ALARM, EXIT_STATUS
from pipeline.core.settings import load_settings
from pipeline.nightly import run as night
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import NightResult, run_night
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

SETTINGS = load_settings()
END = date(2026, 6, 14)
DAYS, NIGHTS = 12, 5
Spoil = Callable[[pl.DataFrame, pl.DataFrame], pl.DataFrame]


def publish(lake: Path, out: Path, day: date) -> NightResult:
    """A night without its pages: what is looked at here is in the tables and in run.json."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night, "draw_report", lambda *given: None)
        return run_night(NightRequest(lake, out, day), SETTINGS)


def alarms(result: NightResult) -> list[str]:
    return result.alarm.filter(pl.col("severity") == ALARM)["code"].to_list()


def run_of(result: NightResult) -> dict[str, Any]:
    run: dict[str, Any] = json.loads((result.folder / "run.json").read_text(encoding="utf-8"))
    return run


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, list[NightResult]]:
    """A lake of forty homes that grows by commissioning and drops a home here and there, and its ordinary nights."""
    root = tmp_path_factory.mktemp("world")
    lake, out = root / "lake", root / "out"
    write_lake(FleetSpec(40, DAYS, 60, 5, end=END, areas=3), lake)
    for at, file in enumerate(sorted(lake.glob("intervals/*/*.parquet"))):
        number = pl.col("site_id").str.slice(1).cast(pl.Int32)
        is_here = (number <= 30 + at) & (number % 29 != at)
        pl.read_parquet(file).filter(is_here).write_parquet(file)
    nights = [publish(lake, out, END - timedelta(days=at)) for at in reversed(range(1, NIGHTS))]
    return lake, out, nights


@pytest.fixture
def spoilt(world: tuple[Path, Path, list[NightResult]], tmp_path: Path) -> Callable[[Spoil], NightResult]:
    """Run the last night on a copy, its day's rows spoilt first: called with (rows, sites)."""
    lake, out, _ = world

    def run(spoil: Spoil) -> NightResult:
        shutil.copytree(lake, tmp_path / "lake")
        shutil.copytree(out, tmp_path / "out", symlinks=True)
        (file,) = (tmp_path / "lake" / "intervals" / f"date={END}").glob("*.parquet")
        spoil(pl.read_parquet(file), pl.read_csv(lake / "sites.csv")).write_parquet(file)
        return publish(tmp_path / "lake", tmp_path / "out", END)

    return run


def of_area(sites: pl.DataFrame) -> pl.Expr:
    area = sites["area"].drop_nulls().sort()[0]
    return pl.col("site_id").is_in(sites.filter(pl.col("area") == area)["site_id"].to_list())


def of_share(sites: pl.DataFrame, every: int) -> pl.Expr:
    return pl.col("site_id").is_in(sites["site_id"].sort().gather_every(every).to_list())


def later(rows: pl.DataFrame, hours: int) -> pl.DataFrame:
    """Rows of a source whose clock is off: those that leave the day are taken for its beginning."""
    moved = pl.col("interval_start") + pl.duration(hours=hours)
    is_within = moved.dt.date() == END
    back = moved - pl.duration(days=1)
    return rows.with_columns(pl.when(is_within).then(moved).otherwise(back).alias("interval_start"))


def flipped(rows: pl.DataFrame, homes: pl.Expr) -> pl.DataFrame:
    return rows.with_columns(
        pl.when(homes).then(-pl.col(leg)).otherwise(leg).alias(leg) for leg in ("l1_w", "l2_w")
    )


def test_ordinary_nights_raise_no_alarm(world: tuple[Path, Path, list[NightResult]], spoilt) -> None:
    last = spoilt(lambda rows, sites: rows)

    assert [alarms(result) for result in [*world[2], last]] == [[]] * NIGHTS
    assert last.alarm["code"].to_list() == ["changed"]


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        pytest.param(lambda rows, sites: rows.filter(~of_area(sites)), "area_silent", id="an area without data"),
        pytest.param(lambda rows, sites: rows.filter(of_share(sites, 3)), "fleet_silent", id="two thirds silent"),
        pytest.param(lambda rows, sites: rows.clear(), "no_rows", id="an empty day"),
        pytest.param(lambda rows, sites: rows.filter(pl.col("interval_start").dt.hour() < 7), "cut_short",
                     id="a day cut short"),
        pytest.param(lambda rows, sites: rows.with_columns(pl.when(~of_area(sites)).then("pv_w").alias("pv_w")),
                     "production_gone", id="production of an area gone"),
        pytest.param(lambda rows, sites: later(rows, 6), "clocks_off", id="local time for UTC"),
        pytest.param(lambda rows, sites: flipped(rows, of_share(sites, 2)), "list_up", id="a list that doubled"),
    ],
)  # fmt: skip
def test_an_event_raises_its_one_alarm_and_the_list_is_there(spoilt, spoil: Spoil, code: str) -> None:
    result = spoilt(spoil)

    assert alarms(result) == [code]
    assert [line["code"] for line in run_of(result)["alarms"]] == [code]
    assert (result.folder / "revisit_list.csv").is_file()
    with duckdb.connect(str(result.folder / "nightclamp.duckdb"), read_only=True) as con:
        assert con.table("alarm").pl().equals(result.alarm)
        assert {"change", "site_pulse"} <= {name for (name,) in con.sql("SHOW TABLES").fetchall()}


def test_rejects_that_jump_raise_their_one_alarm(spoilt, monkeypatch: pytest.MonkeyPatch) -> None:
    own = SETTINGS.alarm.model_copy(update={"rejects_least_rows": 500})
    monkeypatch.setattr(f"{__name__}.SETTINGS", SETTINGS.model_copy(update={"alarm": own}))

    result = spoilt(
        lambda rows, sites: rows.with_columns(
            pl.when(pl.col("interval_start").dt.hour() < 8).then(float("nan")).otherwise("l1_w").alias("l1_w")
        )
    )

    assert alarms(result) == ["rejects_up"]
    assert "rejected (33%; usually 0.0%), most (" in run_of(result)["alarms"][0]["told"]


def test_run_json_says_what_changed_and_what_came_late(spoilt) -> None:
    result = spoilt(lambda rows, sites: flipped(rows, of_share(sites, 2)))
    run, change = run_of(result), pl.read_parquet(result.folder / "change.parquet")

    on = change.filter(pl.col("what") == "newly listed")
    assert run["changed"]["since"] == str(END - timedelta(days=1))
    assert run["changed"]["newly_listed"] == on.height >= SETTINGS.alarm.list_homes
    assert run["changed"]["before_and_now"]["homes"] == [40, 40]
    assert set(on["is_now"]) == {"new tonight"}
    assert run["late"] == {"days": {}, "gone": [], "retired": [], "rows_in": 0, "rows_used": 0}
    assert run["notes"][0]["code"] == "changed"


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """Two homes over three days; b is silent on the last."""
    root = build_lake(tmp_path / "lake")
    for at in range(3):
        homes = ["a", "b"] if at < 2 else ["a"]
        day = DAY + timedelta(days=at)
        put(root, "part.parquet", pl.concat([rows(home, day) for home in homes]), day)
    return root


def test_a_rerun_says_the_same_though_a_late_file_is_read_only_once(small: Path, tmp_path: Path) -> None:
    publish(small, tmp_path / "out", DAY + timedelta(days=1))
    put(small, "late.parquet", rows("b", DAY, minutes=30, l1_w=1.0), DAY, arrived_h=30)

    first, again = (publish(small, tmp_path / "out", DAY + timedelta(days=2)) for _ in range(2))

    assert (first.fresh_days, again.fresh_days) == (2, 0)
    assert first.alarm.equals(again.alarm)
    runs = [run_of(result) for result in (first, again)]
    timed = {"seconds": None, "freshness": None}  # what hangs on the clock
    assert runs[0]["late"]["days"] == {
        str(DAY): {"rows_in": 48, "used": 0, "duplicate": 48, "rejected": 0, "files": 1, "is_by_files": True}
    }
    assert [dict(run, **timed) for run in runs] == [dict(runs[0], **timed)] * 2


def test_the_command_publishes_says_the_alarm_last_and_ends_with_its_own_status(
    small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("NIGHTCLAMP_ALARM__LEAST_HOMES", "2")

    with pytest.raises(SystemExit) as left:
        cli.main(["nightly", str(small), "--out", str(tmp_path / "out")])

    assert left.value.code == EXIT_STATUS == 3
    *_, last = capsys.readouterr().out.splitlines()
    assert last.startswith(
        "ALARM: 1 of 2 homes (50%) heard in the 7 days before have no usable row on 2025-06-03"
    )
    assert (tmp_path / "out" / "latest" / "revisit_list.csv").is_file()
    page = (tmp_path / "out" / "latest" / "report" / "index.html").read_text(encoding="utf-8")
    assert page.index('role="alert"') < page.index("Today first")


def test_a_small_lake_that_is_looked_at_again_is_no_alarm(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main(["nightly", str(small), "--out", str(tmp_path / "out")])

    assert left.value.code == 0
    told = "the lake's newest day that is over is 2025-06-03, "
    assert f"note: {told}" in capsys.readouterr().out
    page = (tmp_path / "out" / "latest" / "report" / "index.html").read_text(encoding="utf-8")
    assert told in page.replace("&#39;", "'")
