"""Which days speak for each home: all of the window, from a change on, or from the day after a visit on."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from lakes import DAY, SITES, build_lake, put, rows

from pipeline.core import sql_runner
from pipeline.core.contract import Visit
from pipeline.core.settings import load_settings
from pipeline.features.day_store import Store
from pipeline.features.update_store import refresh_days
from pipeline.features.window import WindowView, look
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers

SETTINGS = load_settings()
DAYS = [DAY + timedelta(days=at) for at in range(10)]
TURNED_ON = DAYS[6]
SILENT = SITES + SITES.splitlines()[2].replace("b,", "silent,", 1) + "\n"


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Path], pl.DataFrame]:
    """Ten days: home a's first leg is turned from the seventh on, b is right, silent has no rows."""
    root = tmp_path_factory.mktemp("window")
    lake_root = build_lake(root / "lake", sites=SILENT)
    for day in DAYS:
        put(lake_root, "a.parquet", rows("a", day, 60, l1_w=300.0 if day < TURNED_ON else -300.0), day)
        put(lake_root, "b.parquet", rows("b", day, 60), day)
    lake, store = open_lake(lake_root), Store(root / "store")
    registers = read_registers(lake, DAYS[-1])
    con = sql_runner.connect(root, SETTINGS.engine)
    done = refresh_days(con, lake, DAYS, registers=registers, store=store, settings=SETTINGS, workdir=root)
    con.close()
    return root, [day.paths(store, "site_day")[0] for day in done], registers.sites


def view(
    stored: tuple[Path, list[Path], pl.DataFrame],
    *visits: tuple[str, date],
    as_of: date = DAYS[-1],
    days: int = 10,
) -> WindowView:
    root, files, sites = stored
    register = pl.DataFrame(
        [dict.fromkeys(pl.Schema(Visit)) | {"site_id": home, "visited_on": on} for home, on in visits],
        schema=pl.Schema(Visit),
    )
    con = sql_runner.connect(root, SETTINGS.engine)
    seen = look(con, files, sites, visits=register, as_of=as_of, window_days=days, settings=SETTINGS)
    con.close()
    return seen


def test_a_home_speaks_from_its_change_on(stored: tuple[Path, list[Path], pl.DataFrame]) -> None:
    seen = view(stored)

    turned, right = seen.signals.to_dicts()
    assert (turned["site_id"], turned["from_on"], turned["changed_on"]) == ("a", TURNED_ON, TURNED_ON)
    assert turned["change_of"] == "night_l1_negative_share"
    assert turned["change_told"].startswith("L1 below zero at night 0 % of intervals before, 100 % ")
    assert (turned["days"], turned["night_l1_w"], turned["night_l1_negative_share"]) == (4, -300, 1)
    assert (right["site_id"], right["from_on"], right["changed_on"], right["days"]) == (
        "b",
        DAYS[0],
        None,
        10,
    )
    assert right["change_told"] is None


def test_a_home_without_rows_has_no_signals(stored: tuple[Path, list[Path], pl.DataFrame]) -> None:
    assert view(stored).signals["site_id"].to_list() == ["a", "b"]


def test_only_data_since_a_visit_speaks(stored: tuple[Path, list[Path], pl.DataFrame]) -> None:
    turned, right = view(stored, ("a", DAYS[7]), ("b", DAYS[1]), ("b", DAYS[4])).signals.to_dicts()

    assert (turned["from_on"], turned["days"]) == (DAYS[8], 2)
    assert (right["from_on"], right["days"]) == (DAYS[5], 5)


def test_a_visit_before_a_change_leaves_the_change(stored: tuple[Path, list[Path], pl.DataFrame]) -> None:
    assert view(stored, ("a", DAYS[2])).signals["from_on"][0] == TURNED_ON


def test_a_visit_of_today_or_before_the_window_changes_nothing(
    stored: tuple[Path, list[Path], pl.DataFrame],
) -> None:
    """The day of the visit itself holds both states; there is no day after it yet."""
    seen = view(stored, ("b", DAYS[-1]), ("b", DAYS[0] - timedelta(days=5)))

    assert seen.signals["from_on"].to_list() == [TURNED_ON, DAYS[0]]


def test_the_window_ends_with_the_as_of_day(stored: tuple[Path, list[Path], pl.DataFrame]) -> None:
    root, files, sites = stored
    seen = view((root, files[2:5], sites), as_of=DAYS[4], days=3)

    assert (seen.first, seen.last) == (DAYS[2], DAYS[4])
    assert seen.signals["days"].to_list() == [3, 3]
    assert seen.signals["changed_on"].to_list() == [None, None]
    assert set(seen.daily["day"]) == set(DAYS[2:5])
