"""A user's own homes as lessons: which ones, for what, and as a lake in contract with known faults."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.core import sql_runner
from pipeline.core.contract import SOUND, Visit
from pipeline.core.errors import InputError
from pipeline.core.settings import Settings, load_settings
from pipeline.ingest.contract_check import check_lake
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.learning.fleet_examples import (
    HELD_OUT,
    PARTS,
    TEMPER,
    find_sound_homes,
    gather_intervals,
    part_of,
    sample_homes,
    write_training_lake,
)
from pipeline.learning.labelled import labelled_lake
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

SETTINGS = load_settings()
OWN = SETTINGS.own_fleet


def fewest(homes: int) -> Settings:
    return SETTINGS.model_copy(update={"own_fleet": OWN.model_copy(update={"min_homes": homes})})


def scores(**homes: dict[str, object]) -> pl.DataFrame:
    usual = {
        "likelihood": 0.01, "is_clock_suspect": False, "is_neutral_suspect": False, "nights": 30,
        "from_on": date(2026, 5, 1),
    }  # fmt: skip
    return pl.DataFrame([{"site_id": name, **usual, **told} for name, told in homes.items()])


def visits(*rows: tuple[str, str, bool | None, int]) -> pl.DataFrame:
    """Visits as (site_id, found, fixed, day of May)."""
    told = [
        {
            "visit_id": str(at),
            "site_id": site,
            "visited_on": date(2026, 5, day),
            "found": found,
            "fixed": fixed,
        }
        for at, (site, found, fixed, day) in enumerate(rows)
    ]
    return pl.DataFrame(told, schema=pl.Schema(Visit))


def test_a_home_serves_for_one_thing_and_stays_there() -> None:
    parts = [part_of(f"home {at}", OWN) for at in range(4000)]

    assert parts == [part_of(f"home {at}", OWN) for at in range(4000)]
    assert parts.count(HELD_OUT) / 4000 == pytest.approx(OWN.held_out_share, abs=0.03)
    assert parts.count(TEMPER) / 4000 == pytest.approx(OWN.temper_share, abs=0.03)
    assert set(parts) == set(PARTS)


def test_homes_count_as_sound_by_their_likelihood_and_the_plainly_sound_get_faults() -> None:
    found = find_sound_homes(
        scores(plain={}, odd={"likelihood": 0.3}, suspect={"likelihood": 0.7}), visits(), fewest(1)
    )

    assert found["site_id"].to_list() == ["odd", "plain"]
    assert found["weight"].to_list() == pytest.approx([0.7, 0.99])
    assert found["is_clean"].to_list() == [False, True]


def test_nothing_is_learned_from_homes_whose_data_may_mislead() -> None:
    told = scores(
        clock={"is_clock_suspect": True}, neutral={"is_neutral_suspect": True}, new={"nights": 2}, good={}
    )
    assert find_sound_homes(told, visits(), fewest(1))["site_id"].to_list() == ["good"]


def test_visits_say_whose_readings_are_right() -> None:
    """The last visit that found something counts; a home put right is right, one left faulty is not."""
    told = scores(**{name: {"likelihood": 0.2} for name in ("fixed", "left", "other", "sound", "again")})
    found = find_sound_homes(
        told,
        visits(
            ("fixed", "dead", True, 2),
            ("left", "dead", None, 2),
            ("other", "other", None, 2),
            ("sound", SOUND, None, 2),
            ("again", "dead", True, 2),
            ("again", "partial", False, 9),
        ),
        fewest(1),
    )

    assert dict(found.select("site_id", "is_clean").iter_rows()) == {
        "fixed": True,
        "other": False,
        "sound": True,
    }
    assert dict(found.select("site_id", "weight").iter_rows())["sound"] == 1


def test_too_small_a_fleet_is_told_how_many_homes_are_needed() -> None:
    with pytest.raises(InputError, match=r"1 homes of 2 look sound, 3 are needed"):
        find_sound_homes(scores(a={}, b={"likelihood": 0.2}), visits(), fewest(3))


def test_of_many_homes_the_same_few_are_sample_homes() -> None:
    homes = pl.DataFrame({"site_id": [f"home {at}" for at in range(50)]})
    some = sample_homes(homes, OWN.model_copy(update={"most_homes": 25}))["site_id"]
    assert {part_of(home, OWN) for home in some} == set(PARTS)
    few = OWN.model_copy(update={"most_homes": 8})

    assert sample_homes(homes, few).height == 8
    assert sample_homes(homes, few).equals(sample_homes(homes, few))
    assert set(sample_homes(homes[:30], few)["site_id"]) >= set(sample_homes(homes, few)["site_id"]) & set(
        homes[:30]["site_id"]
    )


@pytest.fixture(scope="module")
def lesson_lake(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sound fleet of ten homes over three days; eight clean ones get two faults each."""
    root = tmp_path_factory.mktemp("own")
    write_lake(
        FleetSpec(10, days=3, minutes=30, seed=5, fault_share=0, hard_share=0, register_gap_share=0),
        root / "lake",
    )
    lake = open_lake(root / "lake")
    registers = read_registers(lake, lake.days()[-1])
    homes = registers.sites.select("site_id", from_on=pl.lit(lake.days()[0])).with_columns(
        weight=pl.lit(0.9), is_clean=pl.int_range(pl.len()) < 8
    )
    work = root / "work"
    work.mkdir()
    con = sql_runner.connect(work, SETTINGS.engine)
    gather_intervals(
        con, lake, lake.days(),
        registers=registers, homes=homes, folder=root / "rows", settings=SETTINGS, scratch=work,
    )  # fmt: skip
    con.close()
    two = OWN.model_copy(update={"copies": 2})
    used = write_training_lake(root / "rows", homes, registers.sites, out=root / "out", settings=two, seed=1)
    assert used == 8
    return root


def test_lessons_are_a_lake_in_contract(lesson_lake: Path) -> None:
    problems = check_lake(open_lake(lesson_lake / "out"), SETTINGS, date(2026, 7, 1), all_days=True)

    assert [problem for problem in problems if problem.severity == "fail"] == []


def test_every_clean_home_is_there_as_it_is_and_with_different_faults(lesson_lake: Path) -> None:
    truth = pl.read_csv(lesson_lake / "out" / "truth.csv", infer_schema_length=None)
    by_home = truth.with_columns(home=pl.col("site_id").str.split("~").list.first()).group_by("home")

    assert truth.height == 10 + 2 * 8
    assert truth.filter(pl.col("fault") == SOUND)["weight"].to_list() == [0.9] * 10
    assert truth.filter(pl.col("fault") != SOUND)["weight"].to_list() == [1.0] * 16
    assert by_home.agg(pl.col("fault").n_unique() == pl.len())["fault"].all()


def test_sound_rows_are_the_homes_own(lesson_lake: Path) -> None:
    def rows(folder: str, site: str) -> pl.DataFrame:
        files = sorted((lesson_lake / folder / "intervals").rglob("*.parquet"))
        told = pl.concat(
            [pl.read_parquet(path, hive_partitioning=False) for path in files], how="diagonal_relaxed"
        )
        found = told.filter(pl.col("site_id") == site).sort("interval_start")
        return found.select("l1_w", "l2_w", "pv_w", "l1_v")

    assert rows("out", "H00001~0").equals(rows("lake", "H00001"))
    assert not rows("out", "H00001~1").equals(rows("lake", "H00001"))


def test_lessons_go_through_the_pipelines_own_sql(lesson_lake: Path, tmp_path: Path) -> None:
    labelled = labelled_lake(lesson_lake / "out", tmp_path, 30, settings=SETTINGS)

    assert labelled.signals.height == 26
    assert labelled.truth["weight"].null_count() == 0
