"""The sections of settings.toml about what is told: pages, crews, alarms."""

from __future__ import annotations

from pydantic import Field

from pipeline.core.setting_sections.section import LONGEST_DAYS, Section


class ReportSettings(Section):
    """[report] the pages for people."""

    home_pages: int
    index_rows: int
    trucks: int
    visits_per_truck: int
    earlier_visits: int = Field(ge=0)
    first_rows: int
    daylight_share: float
    colour_quantile: float
    least_reach_w: float
    slope_reach: float
    other_faults: int


class PrivacySettings(Section):
    """[privacy] who reads customers' addresses and the notes of visits."""

    share_contacts: bool
    notes_on_pages: bool


class CrewSettings(Section):
    """[crews] how installers' error rates are counted."""

    first_days: int = Field(ge=0, le=LONGEST_DAYS)
    min_judged: int
    offset_sd: float = Field(gt=0)
    stretch_sd: float = Field(gt=0)
    level_sd: float = Field(gt=0)
    case_sd: float = Field(gt=0)
    crew_sd: float = Field(gt=0)
    most_weight: float = Field(ge=1)
    limit_alpha: float = Field(gt=0, lt=1)
    false_discovery: float = Field(gt=0, lt=1)
    winsor_share: float = Field(ge=0, lt=0.5)
    change_alpha: float = Field(gt=0, lt=1)
    change_shuffles: int = Field(ge=99)
    lesson_faults: float = Field(ge=0)
    training_days: int = Field(ge=1)
    training_homes: int = Field(ge=1)
    training_draws: int = Field(ge=1000)
    chart_crews: int = Field(ge=1)
    crew_homes: int = Field(ge=1)


class AlarmSettings(Section):
    """[alarm] what raises an alarm beside the list."""

    compare_days: int = Field(ge=1, le=LONGEST_DAYS)
    least_homes: int = Field(ge=1)
    area_least_homes: int = Field(ge=1)
    silent_share: float = Field(gt=0, le=1)
    cover_share: float = Field(ge=0, le=1)
    cut_short_share: float = Field(gt=0, le=1)
    usual_pv_wh: float = Field(gt=0)
    pv_gone_share: float = Field(ge=0, lt=1)
    pv_gone_homes_share: float = Field(gt=0, le=1)
    dark_live_min: float = Field(gt=0)
    clock_shift_h: float = Field(ge=0)
    clock_homes_share: float = Field(gt=0, le=1)
    list_factor: float = Field(gt=1)
    list_homes: int = Field(ge=1)
    rejects_rise: float = Field(gt=0, le=1)
    rejects_least_rows: int = Field(ge=1)
    rejects_floor: float = Field(gt=0, le=1)
    rejects_floor_rows: int = Field(ge=1)
    coverage_floor: float = Field(ge=0, le=1)
    coverage_homes_share: float = Field(gt=0, le=1)
    stale_days: int = Field(ge=1, le=LONGEST_DAYS)
    history_days: int = Field(ge=1, le=LONGEST_DAYS)
    arrival_days: int = Field(ge=1, le=LONGEST_DAYS)
    arrival_slack_h: float = Field(ge=0, le=24)
