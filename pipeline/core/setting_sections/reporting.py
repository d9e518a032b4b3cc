"""The sections of settings.toml about what is published: pages, crews, alarms, how long it is kept."""

from __future__ import annotations

from typing import Any

from pipeline.core.setting_sections.section import (
    MOST_HOMES,
    Section,
    above,
    between,
    chance,
    share,
    some_share,
    span_days,
    spread,
)


def _homes(low: int = 1, high: int = MOST_HOMES, why: str = "no fleet has more") -> Any:
    return between((low, high), "homes", why)


class ReportSettings(Section):
    """[report] the pages for people."""

    home_pages: int = _homes(0, 100_000, "each is a file of its own, drawn anew each night")
    index_rows: int = between((0, 20_000), "rows", "a page of more opens slowly on a phone")
    trucks: int = between((1, 500), "trucks", "as in [dispatch]")
    visits_per_truck: int = between((1, 100), "visits", "a day has no more quarter hours")
    earlier_visits: int = between((0, 1000), "visits", "a page is read by a person")
    first_rows: int = between((0, 100), "visits", "a day's work")
    daylight_share: float = share("a share of peak PV")
    colour_quantile: float = between((0.5, 1.0), "", "below the middle most hours would be off the scale")
    least_reach_w: float = between((1.0, 1e6), "W", "an axis has a length")
    slope_reach: float = between((0.1, 100.0), "W/W", "an axis has a length")
    other_faults: int = between((0, 100), "faults", "there are no more to suspect")


class PrivacySettings(Section):
    """[privacy] who reads customers' addresses and the notes of visits."""

    share_contacts: bool
    notes_on_pages: bool


class RetentionSettings(Section):
    """[retention] how long runs and days of the store are kept."""

    thin_out: bool
    daily_days: int = span_days(1)
    weekly_days: int = span_days(1)
    store_days: int = span_days(1)


class CrewSettings(Section):
    """[crews] how installers' error rates are counted."""

    first_days: int = span_days()
    min_judged: int = _homes()
    offset_sd: float = spread()
    stretch_sd: float = spread()
    level_sd: float = spread()
    case_sd: float = spread()
    crew_sd: float = spread()
    most_weight: float = between((1.0, 1e6), "", "1 is no weighing at all")
    limit_alpha: float = chance("none or all crews would be outside")
    false_discovery: float = chance("none or all crews would be flagged")
    winsor_share: float = between((0.0, 0.49), "", "half at either end leaves no crew in the middle")
    change_alpha: float = chance("none or all crews would have changed")
    change_shuffles: int = between(
        (99, 1_000_000), "orders", "fewer show no chance below 1 %; each costs its time"
    )
    lesson_faults: float = between((0.0, 1e6), "faults", "no crew makes more of one kind")
    training_days: int = span_days(1)
    training_homes: int = _homes()
    training_draws: int = between(
        (1000, 1_000_000), "draws", "fewer give a ragged interval; each costs its time"
    )
    chart_crews: int = between((1, 1000), "crews", "a picture is read by a person")
    crew_homes: int = _homes(1, 100_000, "a page of more opens slowly on a phone")


class AlarmSettings(Section):
    """[alarm] what raises an alarm beside the list."""

    compare_days: int = span_days(1)
    least_homes: int = _homes()
    area_least_homes: int = _homes()
    silent_share: float = some_share()
    cover_share: float = share()
    cut_short_share: float = some_share()
    usual_pv_wh: float = between(
        (1.0, 1e7), "Wh", "a home without production has none to lose; no home makes more"
    )
    pv_gone_share: float = between((0.0, 0.99), "", "a share of the usual, below all of it")
    pv_gone_homes_share: float = some_share()
    dark_live_min: float = between((1.0, 1440.0), "min", "from a minute to a day")
    clock_shift_h: float = between((0.0, 12.0), "h", "half a day off is as far as a clock can be")
    clock_homes_share: float = some_share()
    list_factor: float = above((1.0, 1e6), "times", "at 1 every night's list would be an alarm")
    list_homes: int = _homes()
    rejects_rise: float = some_share()
    rejects_least_rows: int = between((1, 1_000_000_000), "rows", "a day of a big fleet has no more")
    rejects_floor: float = some_share()
    rejects_floor_rows: int = between((1, 1_000_000_000), "rows", "a day of a big fleet has no more")
    outside_day_floor: float = some_share()
    coverage_floor: float = share()
    coverage_homes_share: float = some_share()
    stale_days: int = span_days(1, high=3650, why="ten years: an alarm that never comes is none")
    history_days: int = span_days(1, high=3650, why="ten years: a lake is not history for ever")
    arrival_days: int = span_days(
        1, high=90, why="what is usual is of late; a night reads no more days for it"
    )
    arrival_slack_h: float = between((0.0, 24.0), "h", "a day's delay is no slack")
