"""The sections of settings.toml about visits: what going is worth, what it proves, who goes, with which sheet."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.core.setting_sections.section import LONGEST_DAYS, Section


class RankingSettings(Section):
    """[ranking] which homes are listed, in what order, and how long a visit's word counts."""

    least_likelihood: float = Field(ge=0, le=1)
    least_nights: int = Field(ge=0)
    leave_likelihood: float = Field(ge=0, le=1)
    leave_below: float = Field(le=0)
    max_rows: int
    also_from: float
    visit_days: int = Field(ge=0, le=LONGEST_DAYS)
    currency: str
    horizon_days: float
    kwh_value: float
    kwh_cap: float
    home_value_day: float
    chance_visit: float = Field(gt=0, lt=1)
    chance_office: float = Field(gt=0, lt=1)
    chance_visits: float = Field(gt=0)
    chance_hold: float = Field(gt=0)
    drive_min: float
    drive_neighbours: int = Field(ge=1)
    least_drive_min: float
    most_drive_min: float
    labour_rate_h: float
    office_rate_h: float
    needless_visit_cost: float
    needless_office_cost: float


class HitRateSettings(Section):
    """[hit_rate] how what visits found is held against what was promised."""

    alpha: float = Field(gt=0, lt=1)
    surest: float = Field(gt=0.5, le=1)
    late_days: int = Field(ge=1, le=LONGEST_DAYS)
    min_visits: int = Field(ge=1)


class VisitSettings(Section):
    """[visits] when the data since a visit prove it, or show that it didn't work."""

    fix_works: float
    proved_below: float
    disproved_from: float
    again_nights: int
    sound_days: int
    proof_z: float
    gain_off: float
    night_least_w: float
    night_negative: float


class DispatchSettings(Section):
    """[dispatch] trucks, shifts and roads of `nightclamp dispatch`."""

    days: int = Field(ge=1, le=LONGEST_DAYS)
    work_days: list[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]] = Field(min_length=1)
    trucks: int = Field(ge=1, le=500)  # more make no plan that is found in time
    hours: float
    start_time: str
    start: list[float]
    speed_km_h: float = Field(gt=0)
    road_factor: float = Field(ge=1)
    homes_per_truck: int = Field(ge=1)
    pool_drive_share: float = Field(ge=0)
    iterations_per_home: int = Field(ge=1)
    seed: int = Field(ge=0)
    page_rows: int


class OrderSettings(Section):
    """[orders] what a work order prints and how a home is proved right before leaving."""

    homes: int = Field(ge=0)
    paper: Literal["letter", "a4"]
    known_load_w: float = Field(gt=0)
    load_tolerance: float = Field(gt=0, lt=1)
    quiet_w: float = Field(ge=0)
    solar_w: float = Field(gt=0)
    draws: int = Field(ge=1)
    same_slope: float = Field(ge=0)
    others: int = Field(ge=0)
    others_from: float
    others_least: int = Field(ge=0)
    likelihood_words: dict[str, float]
    min_nights: int = Field(ge=1)
    usual_nights: int = Field(ge=1)


class RehearsalSettings(Section):
    """[rehearsal] the fleet and the crews that `nightclamp rehearse` makes up."""

    fault_share: float = Field(ge=0, le=1)
    onset_share: float = Field(ge=0, le=1)
    hard_share: float = Field(ge=0, le=1)
    history_days: int = Field(ge=1, le=LONGEST_DAYS)
    fix_works: float = Field(ge=0, le=1)
    said_fixed: float = Field(ge=0, le=1)
    misnamed: float = Field(ge=0, le=1)
    work_hour: int = Field(ge=0, le=23)
    office_a_day: int = Field(ge=0)
    rest_days: int = Field(ge=0, le=LONGEST_DAYS)
    likelihood_from: float = Field(ge=0, le=1)


class CorrectionSettings(Section):
    """[correction] past readings put right."""

    in_night: bool
    least_likelihood: float = Field(gt=0, le=1)
    rival_share: float = Field(gt=0, lt=1)
    home_pages: int = Field(ge=0)
