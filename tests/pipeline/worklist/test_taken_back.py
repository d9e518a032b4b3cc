"""What a story rested on and is gone is taken back with the day it was noticed; what was told stays."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.worklist.taken_back import EVENT, TAKEN_BACK, taken_back

EVE, NIGHT = date(2026, 6, 13), date(2026, 6, 14)
HOMES = pl.DataFrame({"site_id": ["A", "B", "C"]})
VISITS = pl.DataFrame(
    {"visit_id": ["V1", "V2"], "site_id": ["A", "B"], "visited_on": [date(2026, 6, 1), date(2026, 6, 2)]}
)
STORY = pl.DataFrame(
    {
        "site_id": ["A", "B"], "happened_on": [EVE, EVE], "told_on": [EVE, EVE], "what": ["standing", "standing"],
        "key": ["1", "2"], "told": ["new tonight", "new tonight"],
    }
)  # fmt: skip


@pytest.fixture
def previous(tmp_path: Path) -> Path:
    """A run of the eve: A is listed, B isn't, C has no story."""
    run = tmp_path / str(EVE)
    run.mkdir()
    VISITS.write_parquet(run / "visits.parquet")
    HOMES.with_columns(is_listed=pl.Series([True, False, True])).write_parquet(run / "standing.parquet")
    return run


def told(previous: Path | None, story: pl.DataFrame = STORY, **changed: object) -> list[tuple[str, str]]:
    given: dict = {"homes": HOMES, "visits": VISITS, "days_gone": [], **changed}
    events = taken_back(previous, story, as_of=NIGHT, **given)
    assert events.schema == EVENT
    assert set(events["happened_on"]) <= {NIGHT}
    return events.select("site_id", "told").rows()


def after(previous: Path, **changed: object) -> pl.DataFrame:
    """The stories after a night that took something back."""
    given: dict = {"homes": HOMES, "visits": VISITS, "days_gone": [], **changed}
    events = taken_back(previous, STORY, as_of=NIGHT, **given)
    assert events.height == 1
    return pl.concat([STORY, events.with_columns(told_on=pl.lit(NIGHT)).select(STORY.columns)])


def test_nothing_is_taken_back_where_nothing_has_gone_nor_on_a_first_night(previous: Path) -> None:
    assert told(previous) == []
    assert told(None, homes=HOMES.clear(), days_gone=["2026-06-09"]) == []


def test_a_home_that_left_the_register_is_told_once_and_its_visits_are_not_told_too(previous: Path) -> None:
    left = HOMES.filter(pl.col("site_id") != "A")
    visits = VISITS.filter(pl.col("site_id") != "A")  # of unknown homes they are rejected

    assert told(previous, homes=left, visits=visits) == [
        (
            "A",
            "taken back: the register of homes has no usable row of the home any more, and it is not judged",
        )
    ]


def test_a_home_that_came_back_is_told(previous: Path) -> None:
    story = after(previous, homes=HOMES.filter(pl.col("site_id") != "A"))
    assert story.filter(pl.col("what") == TAKEN_BACK)["site_id"].to_list() == ["A"]
    standing = pl.read_parquet(previous / "standing.parquet")
    standing.filter(pl.col("site_id") != "A").write_parquet(previous / "standing.parquet")

    assert told(previous, story) == [
        ("A", "the home is in the register of homes again, and is judged as a new one")
    ]


@pytest.mark.parametrize(
    ("visits", "why"),
    [
        pytest.param(VISITS.tail(1), "the register of visits has no usable row of it any more", id="deleted"),
        pytest.param(
            VISITS.with_columns(site_id=pl.Series(["C", "B"])), "the register has it at home C now", id="moved"
        ),
        pytest.param(
            VISITS.with_columns(visited_on=pl.Series([date(2026, 6, 5), date(2026, 6, 2)])),
            "the register has it on 2026-06-05 now", id="another day",
        ),
    ],
)  # fmt: skip
def test_a_visit_that_is_gone_moved_or_dated_anew_is_taken_back_at_its_home(
    previous: Path, visits: pl.DataFrame, why: str
) -> None:
    assert told(previous, visits=visits) == [("A", f"taken back: visit V1 of 2026-06-01; {why}")]


def test_a_visit_that_came_back_is_told_and_a_new_one_is_left_to_its_own_line(previous: Path) -> None:
    story = after(previous, visits=VISITS.tail(1))
    VISITS.tail(1).write_parquet(previous / "visits.parquet")
    more = pl.concat([VISITS, VISITS.head(1).with_columns(visit_id=pl.lit("V3"))])

    assert told(previous, story, visits=more) == [
        ("A", "visit V1 of 2026-06-01 is in the register of visits again")
    ]


def test_days_of_data_that_are_gone_are_told_at_homes_that_were_listed_and_have_a_story(
    previous: Path,
) -> None:
    assert told(previous, days_gone=["2026-06-08", "2026-06-09"]) == [
        (
            "A",
            "taken back: the data of 2026-06-08, 2026-06-09, which the night of 2026-06-13 used, are no longer in"
            " the lake",
        )
    ]
