"""What comes of a visit: the truth is found, nine of ten are put right, and some say so though they aren't."""

from __future__ import annotations

from datetime import date, datetime

import polars as pl

from pipeline.core.setting_sections import RehearsalSettings
from pipeline.core.settings import load_settings
from pipeline.evaluation.policy_simulation.crew import attend_homes, written_records
from pipeline.evaluation.policy_simulation.policies import DESK, RECORDS, TRUCK, Choice, Morning
from pipeline.evaluation.policy_simulation.world import World

SETTINGS = load_settings().rehearsal
DAY = date(2026, 6, 10)


def visited(
    world: World,
    ledger: pl.DataFrame,
    homes: dict[str, str],
    settings: RehearsalSettings = SETTINGS,
    seed: int = 1,
) -> pl.DataFrame:
    choices = [Choice(site, by, "dead") for site, by in homes.items()]
    return attend_homes(choices, ledger, world, morning=Morning(DAY, 9, settings), seed=seed)


def test_a_sound_home_is_found_sound_and_so_is_one_whose_fault_is_still_to_come(
    world: World, nothing_done: pl.DataFrame
) -> None:
    done = visited(world, nothing_done, {"H00001": TRUCK, "H00000": TRUCK})
    assert done["found"].to_list() == ["sound", "sound"]
    assert done["fixed"].to_list() == [False, False]
    assert not done["was_faulty"].any()


def test_a_fault_is_found_and_put_right_from_that_hour_on(world: World, nothing_done: pl.DataFrame) -> None:
    sure = SETTINGS.model_copy(update={"fix_works": 1.0})
    done = visited(world, nothing_done, {"H00014": TRUCK}, sure).row(0, named=True)
    assert (done["found"], done["leg"], done["fixed"], done["is_put_right"]) == ("dead", "l1", True, True)
    assert done["right_from"] == datetime(2026, 6, 10, SETTINGS.work_hour)


def test_a_home_put_right_is_found_sound_from_then_on(world: World, nothing_done: pl.DataFrame) -> None:
    sure = SETTINGS.model_copy(update={"fix_works": 1.0})
    once = visited(world, nothing_done, {"H00014": TRUCK}, sure)
    twice = visited(world, once, {"H00014": TRUCK}, sure)
    assert twice["found"].to_list() == ["dead", "sound"]
    assert twice["visit_id"].to_list() == ["R00001", "R00002"]


def test_about_nine_of_ten_work_and_half_of_the_rest_say_so(world: World, nothing_done: pl.DataFrame) -> None:
    done = pl.concat(visited(world, nothing_done, {"H00014": TRUCK}, seed=seed) for seed in range(400))
    failed = done.filter(~pl.col("is_put_right"))
    assert 0.85 < done["is_put_right"].mean() < 0.95  # type: ignore[operator]
    assert 0.2 < failed["fixed"].mean() < 0.8  # type: ignore[operator]


def test_the_first_visit_to_a_home_ends_alike_whatever_was_visited_before(
    world: World, nothing_done: pl.DataFrame
) -> None:
    alone = visited(world, nothing_done, {"H00005": TRUCK})
    later = visited(
        world, visited(world, nothing_done, {"H00001": TRUCK, "H00006": TRUCK}), {"H00005": TRUCK}
    )
    assert alone.drop("visit_id").equals(later[-1:].drop("visit_id"))


def test_the_desk_puts_settings_right_and_nothing_else(world: World, nothing_done: pl.DataFrame) -> None:
    sure = SETTINGS.model_copy(update={"fix_works": 1.0})
    done = visited(world, nothing_done, {"H00015": DESK, "H00014": DESK, "H00001": DESK}, sure)
    assert done["found"].to_list() == ["wrong_ratio", None, None]
    assert done["is_put_right"].to_list() == [True, False, False]


def test_findings_can_be_misnamed(world: World, nothing_done: pl.DataFrame) -> None:
    careless = SETTINGS.model_copy(update={"misnamed": 1.0})
    names = {
        visited(world, nothing_done, {"H00014": TRUCK}, careless, seed)["found"][0] for seed in range(30)
    }
    assert len(names) > 3


def test_the_records_have_nothing_of_the_truth(world: World, nothing_done: pl.DataFrame) -> None:
    done = visited(world, nothing_done, {"H00014": TRUCK})
    assert written_records(done).schema == RECORDS
    assert RECORDS.names() == ["site_id", "day", "by", "found"]
