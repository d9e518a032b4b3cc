"""What the data said before a visit, also of homes that no list named, as short stories."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.core.settings import load_settings
from pipeline.worklist.pre_visit_scores import COLUMNS, with_scores
from pipeline.worklist.prediction_log import SCHEMA

OWN = load_settings().hit_rate.model_copy(update={"late_days": 10})
MONDAY = date(2026, 6, 1)


def visits(*rows: dict) -> pl.DataFrame:
    """Table promise of these visits, on no list before where a row doesn't say otherwise."""
    usual = {"visit_id": "V", "site_id": "A", "visited_on": MONDAY + timedelta(days=1)}
    return pl.DataFrame([usual | row for row in rows], schema=SCHEMA)


@pytest.fixture
def monday(tmp_path: Path) -> Path:
    """The run of Monday: A is unlikely wrong, B since May, C had no data."""
    run = tmp_path / MONDAY.isoformat()
    run.mkdir()
    pl.DataFrame(
        {
            "site_id": ["A", "B", "C"], "likelihood": [0.03, 0.2, 0.05], "nights": [30, 30, 0],
            "onset_on": [None, date(2026, 5, 20), None],
        }
    ).write_parquet(run / "site_scores.parquet")  # fmt: skip
    return run


def told(table: pl.DataFrame) -> list[tuple]:
    return table.select(COLUMNS.names()).rows()


def test_a_home_on_no_list_has_the_likelihood_of_the_night_before(monday: Path) -> None:
    made = with_scores(visits({}, {"visit_id": "W", "site_id": "B"}), None, monday, settings=OWN)

    assert told(made) == [(MONDAY, 0.03, None), (MONDAY, 0.2, date(2026, 5, 20))]
    assert made.columns == [*SCHEMA.names(), *COLUMNS.names()]


def test_what_the_list_promised_comes_first(monday: Path) -> None:
    listed = {"promised_on": MONDAY - timedelta(days=1), "likelihood": 0.7, "since": date(2026, 5, 3)}

    assert told(with_scores(visits(listed), None, monday, settings=OWN)) == [
        (MONDAY - timedelta(days=1), 0.7, date(2026, 5, 3))
    ]


def test_it_is_kept_from_night_to_night_and_not_read_from_one_after_the_visit(monday: Path) -> None:
    first = with_scores(visits({}), None, monday, settings=OWN)
    later = monday.rename(monday.parent / "2026-06-05")

    assert told(with_scores(visits({}), first, later, settings=OWN)) == [(MONDAY, 0.03, None)]
    assert told(with_scores(visits({}), None, later, settings=OWN)) == [(None, None, None)]


@pytest.mark.parametrize(
    "row",
    [{"visited_on": MONDAY}, {"visited_on": MONDAY + timedelta(days=11)}, {"site_id": "C"}, {"site_id": "X"}],
)
def test_nothing_is_said_where_that_night_knew_nothing_of_the_home_before_the_visit(
    row: dict, monday: Path
) -> None:
    assert told(with_scores(visits(row), None, monday, settings=OWN)) == [(None, None, None)]


def test_a_record_that_changed_its_day_is_another_visit(monday: Path) -> None:
    first = with_scores(visits({}), None, monday, settings=OWN)
    moved = visits({"visited_on": MONDAY - timedelta(days=3)})

    assert told(with_scores(moved, first, monday, settings=OWN)) == [(None, None, None)]


def test_a_first_night_and_a_run_that_knew_less_say_nothing(tmp_path: Path) -> None:
    run = tmp_path / MONDAY.isoformat()
    run.mkdir()
    assert told(with_scores(visits({}), None, None, settings=OWN)) == [(None, None, None)]
    assert told(with_scores(visits({}), visits({}), run, settings=OWN)) == [(None, None, None)]
    pl.DataFrame({"site_id": ["A"]}).write_parquet(run / "site_scores.parquet")
    assert told(with_scores(visits({}), None, run, settings=OWN)) == [(None, None, None)]
    assert told(with_scores(visits(), None, tmp_path, settings=OWN)) == []
