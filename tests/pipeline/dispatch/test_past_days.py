"""A plan made again keeps the days that are gone, so that nights remember whom trucks went to."""

from datetime import timedelta
from pathlib import Path

import polars as pl
from dispatch_homes import FRIDAY, MONDAY, publish_night, settings

from pipeline.dispatch.past_days import read_past_days
from pipeline.dispatch.run import dispatch_night
from pipeline.worklist.planned_visits import read_plans

TUESDAY, WEDNESDAY = MONDAY + timedelta(days=1), MONDAY + timedelta(days=2)
SHORT = settings(trucks=1, days=2, hours=0.5)  # a visit a day


def publish(folder: Path) -> tuple[Path, Path]:
    publish_night(folder, {"priority": 103.0}, {"priority": 102.0}, {"priority": 101.0})
    return folder / "lake", folder / "out"


def remembered(out: Path) -> dict[str, object]:
    return dict(read_plans(out, FRIDAY).select("site_id", "planned_on").iter_rows())


def test_days_gone_stay_as_they_were_and_their_homes_are_not_planned_again(tmp_path: Path) -> None:
    lake, out = publish(tmp_path)
    first = dispatch_night(lake, out, SHORT, today=MONDAY)
    assert remembered(out) == {"h0": MONDAY, "h1": TUESDAY}
    (page,) = first.folder.glob(f"{MONDAY}-*.html")
    before = page.read_bytes()

    again = dispatch_night(lake, out, SHORT, first_day=TUESDAY, today=TUESDAY)

    assert again.plan.dispatch.select("site_id", "day").rows() == [("h1", TUESDAY), ("h2", WEDNESDAY)]
    assert remembered(out) == {"h0": MONDAY, "h1": TUESDAY, "h2": WEDNESDAY}
    assert pl.read_parquet(again.folder / "truck_days.parquet")["day"].to_list() == [
        MONDAY,
        TUESDAY,
        WEDNESDAY,
    ]
    assert (again.folder / page.name).read_bytes() == before
    assert f'href="{page.name}"' in (again.folder / "index.html").read_text(encoding="utf-8")
    assert any(note.startswith(f"1 home planned for {MONDAY}, already past") for note in again.notes)


def test_a_plan_moved_before_its_first_day_is_replaced_whole(tmp_path: Path) -> None:
    lake, out = publish(tmp_path)
    dispatch_night(lake, out, SHORT, today=FRIDAY)
    dispatch_night(lake, out, SHORT, first_day=TUESDAY, today=FRIDAY)
    assert remembered(out) == {"h0": TUESDAY, "h1": WEDNESDAY}


def test_a_plan_of_fewer_columns_is_still_read(tmp_path: Path) -> None:
    lake, out = publish(tmp_path)
    folder = dispatch_night(lake, out, SHORT).folder
    for name, column in (("dispatch", "fault_likelihood"), ("truck_days", "back_drive_from")):
        file = folder / f"{name}.parquet"
        pl.read_parquet(file).drop(column).write_parquet(file)
    past = read_past_days(folder, TUESDAY)
    assert past.days == [MONDAY]
    assert past.dispatch["fault_likelihood"].to_list() == [None]
    assert read_past_days(tmp_path / "none", TUESDAY).dispatch.is_empty()
