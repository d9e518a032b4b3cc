"""`nightclamp dispatch` from a published night to pages: files, notes, hostile names, the same bytes twice."""

import csv
import re
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from cyclopts import App
from dispatch_homes import START, publish_night
from example_safety import call as safety_call
from example_safety import safety_calls

from pipeline.commands.dispatch import dispatch, with_options
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.dispatch.gone_days import refuse_other_plan
from pipeline.dispatch.page import weekday
from pipeline.dispatch.run import replace_folder, work_days

HOSTILE = '=1+1<img src=x onerror="alert(1)">'
app = App()
app.command(dispatch)


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """A lake and a published run of five visits and a remote fix, after Friday 12 June 2026."""
    publish_night(tmp_path, {"site_id": HOSTILE}, {}, {"area": "south"}, {"latitude": None}, {"bring": None})
    return tmp_path


def call(night: Path, *words: str) -> Path:
    app(["dispatch", str(night / "lake"), "--out", str(night / "out"), *words], result_action="return_value")
    return night / "out" / "dispatch" / "2026-06-12"


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_listed_home_with_an_open_safety_call_is_on_no_truck_and_says_so_first(night: Path) -> None:
    calls = safety_calls(safety_call("h1"), safety_call("h2", is_open=False))
    calls.write_parquet(night / "out" / "latest" / "safety_call.parquet")

    folder = call(night, "--trucks", "1", "--days", "1")

    assert "h1" not in pl.read_parquet(folder / "dispatch.parquet")["site_id"]
    left = pl.read_csv(folder / "undispatched.csv")
    assert left.select("site_id", "reason", "why").row(0) == (
        "h1", "safety_call",
        "safety call (call now): suspected loose service neutral, no CT work before it is cleared",
    )  # fmt: skip
    page = (folder / "index.html").read_text(encoding="utf-8")
    assert "a safety call comes first: 1" in page


def test_the_folder_holds_tables_and_pages(night: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = call(night, "--trucks", "1", "--days", "1")

    result = pl.read_parquet(folder / "dispatch.parquet")
    assert result["day"].unique().to_list() == [date(2026, 6, 15)]  # the Monday after
    assert result["site_id"].sort().to_list() == sorted([HOSTILE, "h1", "h2", "h4"])
    left = pl.read_parquet(folder / "undispatched.parquet")
    assert left.select("site_id", "reason").rows() == [("h3", "no_coordinates")]
    pages = [name for name in bytes_of(folder) if name.endswith(".html")]
    assert len(pages) == 2
    (truck_day,) = [name for name in pages if name != "index.html"]
    told = re.sub("<[^>]+>", "", (folder / truck_day).read_text(encoding="utf-8"))
    assert told.count("80 % this fault, 90 % any fault") == 4
    said = " ".join(capsys.readouterr().out.split())
    assert (
        "No start point given for 1 of 1 truck: the middle of the stops (39.7400, -104.9900) stands in."
        in said
    )
    assert (
        "2026-06-15 T1 4 stops, 08:00 to 10:00, 0 min driving (estimated), 120 min on site, 360 min to spare"
        in said
    )
    assert "4 of 5 listed visits planned, 1 unscheduled (no coordinates and no drive time: 1)" in said


def test_nothing_of_a_hostile_name_runs(night: Path) -> None:
    folder = call(night)
    for page in folder.glob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert "<img" not in text
        assert "<script" not in text
        assert "http" not in text.replace('http-equiv="Content-Security-Policy"', "")
    assert any("=1+1&lt;img src=x" in page.read_text(encoding="utf-8") for page in folder.glob("2026*.html"))
    with (folder / "dispatch.csv").open(encoding="utf-8", newline="") as file:
        names = {row["site_id"] for row in csv.DictReader(file)}
    assert f"'{HOSTILE}" in names
    assert HOSTILE not in names


def test_a_truck_page_says_cautions_first_then_what_to_load_then_the_stops(night: Path) -> None:
    folder = call(night, "--trucks", "1")
    text = next(folder.glob("2026-06-15-t1-*.html")).read_text(encoding="utf-8")
    order = (
        "De-energize",
        "Load for the day",
        "spare CT, 200 A",
        "Stops in order",
        "Back at the start",
        "<svg",
    )
    at = [text.index(part) for part in order]
    assert at == sorted(at)
    assert text.count("<svg") == 1


def test_a_home_links_to_its_order_or_else_to_its_page_of_the_night(night: Path) -> None:
    from pipeline.report.names import page_name

    homes = night / "out" / "runs" / "2026-06-12" / "report" / "home"
    homes.mkdir(parents=True)
    (homes / page_name("h1")).write_text("", encoding="utf-8")
    folder = call(night, "--trucks", "1")
    text = next(folder.glob("2026-06-15-t1-*.html")).read_text(encoding="utf-8")
    assert text.count("../../runs/2026-06-12/report/home/") == 1
    assert "Work order</a>" not in text
    assert (folder / f"../../runs/2026-06-12/report/home/{page_name('h1')}").resolve().is_file()

    orders = night / "out" / "orders" / "2026-06-12"
    orders.mkdir(parents=True)
    (orders / page_name("h1")).write_text("", encoding="utf-8")
    text = next(call(night, "--trucks", "1").glob("2026-06-15-t1-*.html")).read_text(encoding="utf-8")
    assert f"../../orders/2026-06-12/{page_name('h1')}" in text


def test_the_same_night_gives_the_same_bytes(night: Path) -> None:
    first = bytes_of(call(night))
    assert bytes_of(call(night)) == first
    assert [path.name for path in (night / "out" / "dispatch").iterdir()] == ["2026-06-12"]


def test_trucks_and_drive_times_of_the_lake_are_used(night: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (night / "lake" / "trucks.csv").write_text(
        f"truck_id,area,start_latitude,start_longitude\nS,south,{START[0]},{START[1]}\n", encoding="utf-8"
    )
    (night / "lake" / "drive_times.csv").write_text(
        "from_site,to_site,minutes\nS,h2,17\nstart,h3,5\nh1,gone,2\n", encoding="utf-8"
    )
    folder = call(night)
    result = pl.read_parquet(folder / "dispatch.parquet")
    assert result.select("site_id", "drive_min", "drive_from").rows() == [("h2", 17, "supplied")]
    said = capsys.readouterr().out
    # five stops and one start are 30 pairs, of which two are given, each good for both ways
    assert "Drive times from drive_times.csv; 26 of 30 pairs are not in it" in said
    assert "1 row of drive_times.csv with a name that is neither" in said
    with pytest.raises(InputError, match="leave out --trucks and --hours"):
        call(night, "--hours", "6")


def test_options_reach_the_plan(night: Path) -> None:
    folder = call(
        night,
        "--trucks",
        "1",
        "--hours",
        "0.5",
        "--days",
        "2",
        "--date",
        "2026-06-13",
        "--start",
        "39.74",
        "-104.99",
    )
    result = pl.read_parquet(folder / "dispatch.parquet")
    assert result["day"].to_list() == [
        date(2026, 6, 13),
        date(2026, 6, 15),
    ]  # the Saturday asked for, then Monday


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"trucks": 0}, "--trucks: 0 is not from 1 to 500 trucks"),
        ({"days": 0}, "--days: 0 is not from 1 to 366 days"),
    ],
)
def test_options_out_of_range_are_refused(asked: dict[str, float], message: str) -> None:
    with pytest.raises(InputError, match=message):
        with_options(load_settings(), asked)


def test_half_a_start_point_is_refused(night: Path) -> None:
    (night / "own.toml").write_text("[dispatch]\nstart = [39.7]\n", encoding="utf-8")
    with pytest.raises(
        InputError, match=r"setting dispatch.start: the list \[39.7\] is not \[latitude, longitude\]"
    ):
        call(night, "--settings", str(night / "own.toml"))
    with pytest.raises(InputError, match=r"--start: the list \[-104.99, 39.74\] is not"):
        call(night, "--start", "-104.99", "39.74")


def test_without_a_published_night_it_says_what_to_run(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no published run; run `nightclamp nightly LAKE"):
        call(tmp_path)


def test_work_days_skip_the_weekend() -> None:
    own = load_settings().dispatch.model_copy(update={"days": 3})
    friday = date(2026, 6, 19)
    assert work_days(friday, own, is_fixed=False) == (friday, date(2026, 6, 22), date(2026, 6, 23))
    sunday = date(2026, 6, 21)
    assert work_days(sunday, own, is_fixed=True) == (sunday, date(2026, 6, 22), date(2026, 6, 23))
    assert weekday(sunday) == "Sun 21 Jun 2026"


def test_a_plan_that_fails_to_be_written_leaves_the_old_one(tmp_path: Path) -> None:
    target = tmp_path / "dispatch" / "2026-06-12"
    replace_folder(target, lambda folder: folder.joinpath("a").touch())

    def fail(folder: Path) -> None:
        folder.joinpath("b").touch()
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        replace_folder(target, fail)
    assert [path.name for path in target.iterdir()] == ["a"]
    assert [path.name for path in target.parent.iterdir()] == ["2026-06-12"]


def test_a_day_that_is_past_is_not_planned_but_can_be_looked_at(
    night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(InputError, match="--date 2026-06-12: that day is past, the list is of 2026-06-12"):
        call(night, "--date", "2026-06-12")
    assert not (night / "out" / "dispatch").exists()
    folder = call(night, "--date", "2026-06-12", "--dry-run")
    assert not folder.exists()
    assert capsys.readouterr().out.endswith("dry run: nothing was written\n")


def test_the_plan_of_a_day_that_is_gone_stays(night: Path) -> None:
    file = call(night, "--trucks", "1") / "dispatch.parquet"
    plan = pl.read_parquet(file)
    tuesday = date(2026, 6, 16)
    refuse_other_plan(file, plan, tuesday)  # the same again
    refuse_other_plan(file, plan.clear(), date(2026, 6, 15))  # Monday isn't over
    with pytest.raises(InputError, match="the plan of 2026-06-15 is of a day that is gone"):
        refuse_other_plan(file, plan.head(1), tuesday)
