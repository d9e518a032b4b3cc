"""The newest day against the days before: what befalls a fleet raises its one alarm, an ordinary day raises none."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import polars as pl
import pytest

from pipeline.core.settings import load_settings
from pipeline.nightly.data_alarms import missing_row_alarms, odd_reading_alarms

OWN = load_settings().alarm
DAY, EVE = date(2026, 6, 14), date(2026, 6, 13)
AREAS = {"north": 30, "south": 20, "west": 10}
HEARD = ("covered_min", "pv_wh", "pv_noon_h", "dark_live_min")
Event = Callable[[pl.DataFrame], pl.DataFrame]


def fleet() -> pl.DataFrame:
    """Table site_pulse with area of 60 homes on a day like the others."""
    homes = [f"{area}{n:02d}" for area, count in AREAS.items() for n in range(count)]
    return pl.DataFrame({"site_id": homes}).with_columns(
        pl.col("site_id").str.slice(0, pl.col("site_id").str.len_chars() - 2).alias("area"),
        days_before=pl.lit(7), last_day=pl.lit(DAY), is_heard=pl.lit(True),
        covered_min=pl.lit(1440.0), covered_before_min=pl.lit(1440.0),
        pv_wh=pl.lit(18_000.0), pv_before_wh=pl.lit(21_000.0),
        pv_noon_h=pl.lit(-0.2), pv_noon_before_h=pl.lit(0.1),
        dark_live_min=pl.lit(0.0), dark_live_before_min=pl.lit(0.0),
    )  # fmt: skip


def homes_of(*areas: str, each: int = 99) -> pl.Expr:
    """The first `each` homes of these areas."""
    return pl.col("area").is_in(areas) & (pl.col("site_id").str.slice(-2).cast(pl.Int32) < each)


def where(homes: pl.Expr, **values: object) -> Event:
    return lambda pulse: pulse.with_columns(
        pl.when(homes).then(pl.lit(value)).otherwise(name).alias(name) for name, value in values.items()
    )


def silent(homes: pl.Expr) -> Event:
    return where(homes, is_heard=False, last_day=EVE, **dict.fromkeys(HEARD))


def seen(event: Event) -> dict[str, str]:
    pulse = event(fleet())
    found = [*missing_row_alarms(pulse, DAY, OWN), *odd_reading_alarms(pulse, DAY, OWN)]
    return {line.code: line.told for line in found}


@pytest.mark.parametrize(
    ("event", "code", "numbers"),
    [
        pytest.param(
            silent(homes_of("west")), "area_silent",
            ["2026-06-14", "west (10 homes)", "last heard on 2026-06-13"], id="an area without data",
        ),
        pytest.param(
            silent(homes_of("north", "south", each=15)), "fleet_silent",
            ["30 of 60 homes (50%)", "north (15 homes), south (15 homes)"], id="half the fleet silent",
        ),
        pytest.param(
            silent(homes_of("north")), "fleet_silent", ["30 of 60 homes (50%)", "north (30 homes)"],
            id="an area that is half the fleet is told once",
        ),
        pytest.param(
            where(homes_of("north", "south", each=18), covered_min=600.0, pv_wh=100.0), "cut_short",
            ["36 of 60 homes", "60%", "600 min"], id="a day that ends early, and its production with it",
        ),
        pytest.param(
            where(homes_of("north", "south", each=18), covered_min=720.0), "cut_short", ["36 of 60 homes", "720 min"],
            id="a day cut in the middle",
        ),
        pytest.param(
            where(homes_of("south"), pv_wh=30.0), "production_gone", ["south (20 homes)", "2%"],
            id="production of an area gone",
        ),
        pytest.param(
            where(homes_of("south"), pv_wh=None, pv_noon_h=None), "production_gone", ["south (20 homes)"],
            id="a source that sends no production any more",
        ),
        pytest.param(
            where(homes_of("north", "south", each=10), pv_noon_h=1.1, dark_live_min=45.0), "clocks_off",
            ["20 of 60 homes of the fleet", "1.0 h later"], id="a third of the clocks an hour late",
        ),
        pytest.param(
            where(homes_of("west"), pv_noon_h=-11.5, dark_live_min=300.0), "clocks_off",
            ["10 of 10 homes of west", "11.6 h earlier"], id="the clocks of an area with a source of its own",
        ),
    ],
)  # fmt: skip
def test_each_event_raises_its_one_alarm_with_the_numbers(
    event: Event, code: str, numbers: list[str]
) -> None:
    told = seen(event)

    assert list(told) == [code]
    assert [number for number in numbers if number not in told[code]] == []


@pytest.mark.parametrize(
    "event",
    [
        pytest.param(lambda pulse: pulse, id="a day like the others"),
        pytest.param(silent(homes_of("north", "south", each=14)), id="nearly half the fleet silent"),
        pytest.param(silent(homes_of("west", each=9)), id="one home of the area is heard"),
        pytest.param(
            lambda pulse: silent(homes_of("west", each=4))(pulse).filter(~homes_of("west") | homes_of("west", each=4)),
            id="an area of four homes",
        ),
        pytest.param(
            where(homes_of("north", "south"), days_before=0, covered_before_min=None, pv_before_wh=None,
                  pv_noon_before_h=None, dark_live_before_min=None), id="most of the fleet commissioned today",
        ),
        pytest.param(
            lambda pulse: where(homes_of("north", "south"), is_heard=False, days_before=0)(pulse),
            id="homes that have been silent for long",
        ),
        pytest.param(where(homes_of("south"), pv_wh=1_500.0), id="a dark day"),
        pytest.param(where(pl.lit(True), covered_min=1080.0), id="a day with six hours' gap everywhere"),
        pytest.param(where(homes_of("south", each=17), pv_wh=0.0), id="snow on most roofs of an area"),
        pytest.param(where(homes_of("south"), pv_before_wh=0.0, pv_wh=0.0), id="an area without PV"),
        pytest.param(where(pl.lit(True), pv_noon_h=1.5), id="a foggy morning everywhere"),
        pytest.param(where(pl.lit(True), dark_live_min=60.0), id="the season moves dawn into an interval"),
        pytest.param(
            where(pl.lit(True), dark_live_min=60.0, dark_live_before_min=60.0, pv_noon_h=9.0),
            id="clocks that were off before",
        ),
        pytest.param(
            where(pl.lit(True), dark_live_min=60.0, pv_noon_h=11.9, pv_noon_before_h=-11.9),
            id="across midnight 0.2 h are no shift",
        ),
        pytest.param(
            lambda pulse: silent(pl.lit(True))(pulse).filter(homes_of("north", each=4) | homes_of("south", each=4)),
            id="a fleet of eight homes in two areas",
        ),
        pytest.param(lambda pulse: pulse.clear(), id="no homes"),
    ],
)  # fmt: skip
def test_what_ordinary_nights_bring_raises_none(event: Event) -> None:
    assert seen(event) == {}


def test_homes_without_an_area_are_looked_at_too() -> None:
    pulse = fleet().with_columns(pl.when(pl.col("area") != "west").then("area").alias("area"))

    (found,) = missing_row_alarms(silent(pl.col("area").is_null())(pulse), DAY, OWN)

    assert (found.code, "no area (10 homes)" in found.told) == ("area_silent", True)
    assert f"date={DAY}" in found.look
