"""A policy's lake: as installed, and right from the hour a home was put right, record included."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal

from pipeline.evaluation.policy_simulation.series import (
    correct_rows,
    remove_days_before,
    write_day,
    write_registers,
)
from pipeline.evaluation.policy_simulation.world import World

DAY = date(2026, 6, 10)


def rows(site: str, hours: list[int], value: float) -> pl.DataFrame:
    starts = [datetime(2026, 6, 10, hour, tzinfo=UTC) for hour in hours]
    return pl.DataFrame({"site_id": site, "interval_start": starts, "l1_w": value}).cast(
        {"interval_start": pl.Datetime("us", "UTC")}
    )


def put_right(site: str, when: datetime, ledger: pl.DataFrame) -> pl.DataFrame:
    visit = {
        "visit_id": "R1", "site_id": site, "visited_on": when.date(), "crew_id": "C01", "found": "dead", "leg": "l1",
        "fixed": True, "by": "truck", "reason": "dead", "is_put_right": True, "was_faulty": True, "right_from": when,
    }  # fmt: skip
    return pl.concat([ledger, pl.DataFrame([visit], schema=ledger.schema)])


def test_rows_are_right_from_the_hour_on() -> None:
    installed = pl.concat([rows("A", [0, 1, 2, 2, 3], -1.0), rows("B", [0, 3], -5.0)])
    right = rows("A", [0, 1, 2, 2, 3], 1.0)
    since = pl.DataFrame({"site_id": ["A"], "right_from": [datetime(2026, 6, 10, 2)]})

    corrected = correct_rows(installed, right, since)

    assert_frame_equal(
        corrected,
        pl.concat([rows("A", [0, 1], -1.0), rows("A", [2, 2, 3], 1.0), rows("B", [0, 3], -5.0)]),
    )


def test_a_day_after_the_fix_is_the_right_twin_s_and_others_are_linked(
    world: World, nothing_done: pl.DataFrame, tmp_path: Path
) -> None:
    ledger = put_right("H00014", datetime(2026, 6, 9, 18), nothing_done)

    write_day(tmp_path, world, ledger, day=DAY)

    first, second = sorted((tmp_path / "intervals" / f"date={DAY}").iterdir())
    assert first.samefile(world.parts(DAY)[0])
    assert not second.samefile(world.parts(DAY)[1])
    right = pl.read_parquet(world.right(DAY, second)).filter(pl.col("site_id") == "H00014")
    now, then = pl.read_parquet(second), pl.read_parquet(world.parts(DAY)[1])
    assert_frame_equal(now.filter(pl.col("site_id") == "H00014"), right)
    assert_frame_equal(now.filter(pl.col("site_id") != "H00014"), then.filter(pl.col("site_id") != "H00014"))


def test_a_day_before_anything_was_put_right_is_the_world_s_own(
    world: World, nothing_done: pl.DataFrame, tmp_path: Path
) -> None:
    write_day(tmp_path, world, nothing_done, day=DAY)
    assert all(
        file.samefile(part)
        for file, part in zip(
            sorted((tmp_path / "intervals" / f"date={DAY}").iterdir()), world.parts(DAY), strict=True
        )
    )


def test_a_record_put_right_says_the_truth(world: World, nothing_done: pl.DataFrame, tmp_path: Path) -> None:
    write_registers(tmp_path, world, nothing_done)
    before = pl.read_csv(tmp_path / "sites.csv")
    write_registers(tmp_path, world, put_right("H00012", datetime(2026, 6, 9, 18), nothing_done))
    after = pl.read_csv(tmp_path / "sites.csv")

    scope = pl.col("site_id") == "H00012"
    assert before.filter(scope)["ct_sees_pv"].item() is not after.filter(scope)["ct_sees_pv"].item()
    assert_frame_equal(before.filter(~scope), after.filter(~scope))
    visits = pl.read_csv(tmp_path / "visits.csv")
    assert visits.columns == ["visit_id", "site_id", "visited_on", "crew_id", "found", "leg", "fixed"]
    assert visits["found"].to_list() == ["dead"]


def test_only_the_window_s_days_are_kept(world: World, nothing_done: pl.DataFrame, tmp_path: Path) -> None:
    days = [date(2026, 6, day) for day in (8, 9, 10)]
    for day in days:
        write_day(tmp_path, world, nothing_done, day=day)
    remove_days_before(tmp_path, days[1])
    assert sorted(folder.name for folder in (tmp_path / "intervals").iterdir()) == [
        "date=2026-06-09",
        "date=2026-06-10",
    ]
    assert world.parts(days[0])
