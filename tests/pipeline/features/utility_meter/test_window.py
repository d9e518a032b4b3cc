"""Which days of a meter speak: the home's span, then older ones, never across a visit or a change."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from metered_homes import START, Metered

from pipeline.core.contract import BY_FILE, BY_ROWS
from pipeline.core.settings import load_settings
from pipeline.features.utility_meter.evidence import EVIDENCE, LEVELS, PRODUCTS
from pipeline.features.utility_meter.window import (
    HOME_DAY,
    ShardMeters,
    metered_days,
    shard_evidence,
    with_file_meters,
)

SETTINGS = load_settings()
HOME = Metered.drawn(40)
FIRST, LAST = date(2026, 5, 21), date(2026, 6, 9)  # the window: 20 days after 20 older ones
OLDER = pl.DataFrame(
    {"site_id": ["a"] * 10, "day": [START.date() + timedelta(days=10 + at) for at in range(10)]},
    schema=HOME_DAY,
)


@pytest.fixture
def hours(tmp_path: Path) -> Path:
    path = tmp_path / "hours.parquet"
    HOME.hours().write_parquet(path)
    return path


def spoken(hours: Path, rows: pl.DataFrame, from_on: date = FIRST) -> dict[str, object]:
    span = pl.DataFrame({"site_id": ["a"], "from_on": [from_on], "to_on": [LAST]})
    found = shard_evidence(ShardMeters(rows, [hours], OLDER), span, FIRST, settings=SETTINGS)
    return found.row(0, named=True)


def until(day: date) -> pl.DataFrame:
    return HOME.meter(60).filter(pl.col("interval_start").dt.date() <= day)


def test_with_enough_days_in_the_window_no_older_one_speaks(hours: Path) -> None:
    row = spoken(hours, HOME.meter(60))

    assert (row["meter_from_on"], row["meter_to_on"]) == (FIRST, LAST)
    assert row["meter_hours"] == 20 * 24


@pytest.mark.parametrize(
    ("last", "from_on"), [(date(2026, 5, 27), FIRST), (date(2026, 5, 26), date(2026, 5, 11))]
)
def test_older_days_speak_where_the_window_has_too_few(hours: Path, last: date, from_on: date) -> None:
    row = spoken(hours, until(last))

    assert SETTINGS.utility.least_days == 7
    assert (row["meter_from_on"], row["meter_to_on"]) == (from_on, last)


def test_nothing_older_speaks_across_a_change_or_a_visit_in_the_window(hours: Path) -> None:
    row = spoken(hours, until(date(2026, 5, 26)), from_on=date(2026, 5, 23))

    assert (row["meter_from_on"], row["meter_to_on"]) == (date(2026, 5, 23), date(2026, 5, 26))


def test_a_meter_that_ended_before_the_window_still_speaks(hours: Path) -> None:
    row = spoken(hours, until(date(2026, 5, 18)))

    assert row["why_not"] is None
    assert (row["meter_from_on"], row["meter_to_on"]) == (date(2026, 5, 11), date(2026, 5, 18))


def test_half_a_day_is_the_meters_day() -> None:
    rows = HOME.meter(60).head(24 + 11)

    assert metered_days(rows.lazy()).collect()["day"].to_list() == [START.date()]
    assert metered_days(HOME.meter(60).head(24 + 12).lazy()).collect().height == 2


def window_row(site_id: str, n_net: int) -> dict[str, object]:
    sums = dict.fromkeys(("nm_n", *(name for name, _, _ in PRODUCTS), *LEVELS), 1.0)
    return {"site_id": site_id, "n_row": 100.0, "n_net": float(n_net), **sums}


def told(site_id: str, why_not: str | None = None) -> dict[str, object]:
    sums = dict.fromkeys(("nm_n", *(name for name, _, _ in PRODUCTS), *LEVELS), 2.0)
    return {"site_id": site_id, "meter_hours": 300, "why_not": why_not, "is_dark_only": False, **sums}


def test_a_file_fills_in_where_the_rows_have_no_meter_of_most_intervals() -> None:
    window = pl.DataFrame(
        [window_row("few", 40), window_row("none", 0), window_row("own", 60), window_row("vain", 0)]
    )
    evidence = pl.DataFrame(
        [told("few"), told("own"), told("vain", "has too few hours in common with the readings")],
        schema=EVIDENCE,
    )

    out = with_file_meters(window, evidence)

    assert out["site_id"].to_list() == ["few", "none", "own", "vain"]
    assert out["nm_n"].to_list() == [2.0, 1.0, 1.0, 1.0]
    assert out["n_net"].to_list() == [100.0, 0.0, 60.0, 0.0]
    assert out["meter_by"].to_list() == [BY_FILE, None, BY_ROWS, None]
    assert out["meter_hours"].to_list() == [300, None, None, 300]
    assert out["meter_why_not"].drop_nulls().to_list() == ["has too few hours in common with the readings"]
