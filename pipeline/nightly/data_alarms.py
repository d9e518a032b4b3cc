"""Alarms of the newest day against the days before it, from table site_pulse: they need no earlier run."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.core.alarm import Alarm, alarm, count_of, places
from pipeline.core.setting_sections import AlarmSettings

_PULSE = "site_pulse.parquet"


def missing_row_alarms(
    pulse: pl.DataFrame, as_of: date, settings: AlarmSettings, *, is_by_hour: bool = False
) -> list[Alarm]:
    """Return what the day `as_of` lacks, each thing once: a silent fleet is not reported area by area too.

    Homes that were not heard in the days before don't count, nor do areas and fleets of fewer homes than [alarm] asks
    for.

    Parameters
    ----------
    pulse
        Table site_pulse with the `area` of each home.
    as_of
        The day.
    settings
        Section [alarm].
    is_by_hour
        Whether `pulse` says what was there by the same hour in the days before (`usual_arrival.as_due`).
    """
    homes = pulse.filter(pl.col("days_before") > 0)
    before = (
        "usually there by this hour" if is_by_hour else f"heard in the {settings.compare_days} days before"
    )
    alarms = (
        _fleet_silent(homes, as_of, settings, before=before) or _areas_silent(homes, as_of, settings),
        _cut_short(
            homes.filter("is_heard"),
            as_of,
            settings,
            usual="usual time by this hour" if is_by_hour else "usual time",
        ),
    )
    return [line for line in alarms if line]


def odd_reading_alarms(pulse: pl.DataFrame, as_of: date, settings: AlarmSettings) -> list[Alarm]:
    """Return what is odd in the readings that came of the day `as_of`; `pulse` as `missing_row_alarms`."""
    heard = pulse.filter((pl.col("days_before") > 0) & pl.col("is_heard"))
    alarms = (_production_gone(heard, as_of, settings), _clocks_off(heard, as_of, settings))
    return [line for line in alarms if line]


def _fleet_silent(homes: pl.DataFrame, as_of: date, settings: AlarmSettings, *, before: str) -> Alarm | None:
    silent = homes.filter(~pl.col("is_heard"))
    if homes.height < settings.least_homes or silent.height < settings.silent_share * homes.height:
        return None
    areas = dict(silent.group_by("area").len().iter_rows())
    return alarm(
        "fleet_silent",
        f"{silent.height:,} of {count_of(homes.height, 'home')} ({silent.height / homes.height:.0%}) {before}"
        f" have no usable row on {as_of}: {places(areas)}",
        f"{_PULSE} (is_heard); intervals/date={as_of}/ of the lake",
    )


def _areas_silent(homes: pl.DataFrame, as_of: date, settings: AlarmSettings) -> Alarm | None:
    areas = (
        homes.group_by("area")
        .agg(pl.len(), pl.col("is_heard").any(), pl.col("last_day").max())
        .filter(~pl.col("is_heard") & (pl.col("len") >= settings.area_least_homes))
    )
    if areas.is_empty():
        return None
    names = places(dict(areas.select("area", "len").iter_rows()))
    last_day = areas.select(pl.col("last_day").max()).item()
    return alarm(
        "area_silent",
        f"no usable row on {as_of} from any home of {names}; last heard on {last_day}",
        f"{_PULSE} (is_heard); intervals/date={as_of}/ of the lake",
    )


def _cut_short(heard: pl.DataFrame, as_of: date, settings: AlarmSettings, *, usual: str) -> Alarm | None:
    short = heard.filter(_is_short(settings))
    if heard.height < settings.least_homes or short.height < settings.cut_short_share * heard.height:
        return None
    covered_min = _median(short, "covered_min")
    return alarm(
        "cut_short",
        f"{as_of} is cut short: {short.height:,} of {count_of(heard.height, 'home')} that were heard have rows for"
        f" less than {settings.cover_share:.0%} of their {usual}, {covered_min:,.0f} min in the middle",
        f"{_PULSE} (covered_min); intervals/date={as_of}/ of the lake",
    )


def _is_short(settings: AlarmSettings) -> pl.Expr:
    return pl.col("covered_min") < settings.cover_share * pl.col("covered_before_min")


def _production_gone(heard: pl.DataFrame, as_of: date, settings: AlarmSettings) -> Alarm | None:
    """Return that areas whose homes are heard all day have no production."""
    usual = pl.col("pv_before_wh")
    gone = (pl.col("pv_wh").abs() < settings.pv_gone_share * usual).fill_null(True)
    areas = (
        heard.filter(~_is_short(settings) & (usual >= settings.usual_pv_wh))
        .group_by("area")
        .agg(pl.len(), gone.sum().alias("gone"))
        .filter(
            pl.col("len") >= settings.area_least_homes, pl.col("gone") >= settings.pv_gone_homes_share * pl.col("len")
        )
    )  # fmt: skip
    if areas.is_empty():
        return None
    return alarm(
        "production_gone",
        f"production is gone on {as_of} (under {settings.pv_gone_share:.0%} of the usual) from"
        f" {places(dict(areas.select('area', 'gone').iter_rows()))}: snow, an outage, or a source that lost it",
        f"{_PULSE} (pv_wh); pv_w in intervals/date={as_of}/ of the lake",
    )


def _clocks_off(heard: pl.DataFrame, as_of: date, settings: AlarmSettings) -> Alarm | None:
    """Return that many homes produce in the dark and hours from where they did: no weather does both.

    Only homes that produce, and whose clock was right in the days before, are asked: of the whole fleet, then of
    each area, since a source may serve one area only.
    """
    turn = pl.col("pv_noon_h") - pl.col("pv_noon_before_h")
    asked = heard.filter(
        (pl.col("pv_wh") >= settings.usual_pv_wh) & (pl.col("dark_live_before_min") < settings.dark_live_min)
    ).with_columns(
        shift_h=turn - 24 * (turn / 24).round(), is_off=pl.col("dark_live_min") >= settings.dark_live_min
    )
    groups = [("the fleet", asked, settings.least_homes)] + [
        (area or "no area", asked.filter(pl.col("area").eq_missing(area)), settings.area_least_homes)
        for area in asked["area"].unique().sort()
    ]
    for name, homes, least in groups:
        off = homes.filter("is_off")
        enough = max(settings.area_least_homes, settings.clock_homes_share * homes.height)
        if homes.height < least or off.height < enough:
            continue
        shift_h = _median(off, "shift_h")
        if abs(shift_h) >= settings.clock_shift_h:
            return alarm(
                "clocks_off",
                f"the clocks of {off.height:,} of {count_of(homes.height, 'home')} of {name} are off on {as_of}:"
                f" production in the dark and {abs(shift_h):.1f} h {'later' if shift_h > 0 else 'earlier'} than usual",
                f"{_PULSE} (dark_live_min, pv_noon_h); zone and labelled in lake.toml, or who sends the data",
            )
    return None


def _median(homes: pl.DataFrame, column: str) -> float:
    """Return the median of the homes' values; 0 where none has one."""
    return float(homes.select(pl.col(column).median().fill_null(0.0)).item())
