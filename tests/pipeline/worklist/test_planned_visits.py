"""The newest plan of each home, out of the folders that dispatch leaves."""

from datetime import date

import polars as pl

from pipeline.worklist.planned_visits import PLANS, damaged_plans, read_plans

MADE = date(2026, 6, 1)


def leave(out, made_on, *rows):
    folder = out / "dispatch" / str(made_on)
    folder.mkdir(parents=True)
    frame = pl.DataFrame(
        rows, schema={"day": pl.Date, "truck_id": pl.String, "site_id": pl.String}, orient="row"
    )
    frame.write_parquet(folder / "dispatch.parquet")
    return folder


def test_no_plan_is_no_row(tmp_path):
    assert read_plans(tmp_path, MADE).equals(pl.DataFrame(schema=PLANS))


def test_the_newest_plan_up_to_the_night_counts(tmp_path):
    leave(tmp_path, date(2026, 6, 1), (date(2026, 6, 2), "T1", "A"), (date(2026, 6, 3), "T1", "B"))
    leave(tmp_path, date(2026, 6, 4), (date(2026, 6, 5), "T2", "A"))
    leave(tmp_path, date(2026, 6, 9), (date(2026, 6, 10), "T3", "A"))
    assert read_plans(tmp_path, date(2026, 6, 8)).rows() == [
        ("A", date(2026, 6, 5), "T2", date(2026, 6, 4)),
        ("B", date(2026, 6, 3), "T1", date(2026, 6, 1)),
    ]


def test_a_plan_that_cannot_be_read_is_named_and_passed_over(tmp_path):
    leave(tmp_path, MADE, (MADE, "T1", "A"))
    later = date(2026, 6, 4)
    folder = leave(tmp_path, later, (later, "T1", "A"), (later, "T2", "B"))
    assert damaged_plans(tmp_path, later) == []
    for content in (b"no parquet", (folder / "dispatch.parquet").read_bytes()[:90], b""):
        (folder / "dispatch.parquet").write_bytes(content)
        assert read_plans(tmp_path, later).rows() == [("A", MADE, "T1", MADE)]
        (line,) = damaged_plans(tmp_path, later)
        assert line.startswith(f"dispatch/{later}/dispatch.parquet: not a readable plan (")
    assert damaged_plans(tmp_path, MADE) == []


def test_folders_of_other_names_are_left_alone(tmp_path):
    leave(tmp_path, MADE, (MADE, "T1", "A")).rename(tmp_path / "dispatch" / "9999-99-99")
    assert read_plans(tmp_path, MADE).is_empty()
