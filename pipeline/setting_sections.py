"""The sections of settings.toml, each a class: what there is to turn, of which type and in which range.

The file has the meaning and the unit of each.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field


class Section(BaseModel):
    """A table of settings.toml; a key it does not know is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class EngineSettings(Section):
    """[engine] what DuckDB may use."""

    threads: int
    memory_limit: str


class LakeSettings(Section):
    """[lake] what a row must be to be used."""

    leg_headroom: float
    default_service_amps: float
    pv_headroom: float
    unknown_pv_kw: float
    homes_per_shard: int
    check_days: int
    gap_share: float
    second_length_share: float


class DaySettings(Section):
    """[day] what a day's statistics are taken over."""

    default_length_min: float
    longest_gap_min: float
    dark_deg: float
    sun_deg: float
    pv_quiet_w: float
    pv_quiet_share: float
    battery_idle_w: float
    noise_w: float
    zero_w: float
    balanced_w: float
    tiny_w: float
    drop_w: float
    glitch_share: float
    calm_w: float
    ramp_span_min: float
    ramp_core_share: float
    ramp_min_w: float
    ramp_share: float
    active_w: float
    alike_w: float
    alike_share: float
    pair_w: float
    pair_log_range: float
    leak_w: float
    volt_low: float
    volt_high: float


class FeatureSettings(Section):
    """[feature] what the window's probes need before they speak."""

    min_ramps: int
    few_ramps: float
    slope_day_sd: float
    clock_off_h: float
    clock_pv_w: float
    clock_sky_corr: float
    sag_apart: float
    probe_se: float


class OnsetSettings(Section):
    """[onset] when a home is said to have changed."""

    min_z: float
    gain_shift: float
    share_shift: float
    zero_shift: float
    night_shift: float
    night_w: float
    gain_sd: float
    share_sd: float
    zero_sd: float
    night_sd: float
    min_days: int


class VerdictSettings(Section):
    """[verdict] what a likelihood is called."""

    suspect: float
    sound: float
    base_rate: float
    min_nights: int
    neutral_v_per_kw: float


class TrainingSettings(Section):
    """[training] how the classifier is made."""

    fault_share: float
    hard_share: float
    hard_weight: float
    strength: float
    hold: float


class OwnFleetSettings(Section):
    """[own_fleet] how `nightclamp train LAKE` learns from the user's own homes."""

    looks_sound: float
    min_homes: int
    most_homes: int
    copies: int
    onset_share: float
    temper_share: float
    held_out_share: float
    holds: list[float]
    temper_hold: float
    visit_weight: float
    visit_days: int
    tangent_low: float
    tangent_high: float
    base_quantile: float
    bundle_step_w: float
    prior_homes: float
    prior_faults: float
    slope_sd: float
    beat_z: float
    veto_z: float
    precision_slack: float


class ReportSettings(Section):
    """[report] the pages for people."""

    home_pages: int
    index_rows: int
    trucks: int
    visits_per_truck: int
    first_rows: int
    daylight_share: float
    colour_quantile: float
    least_reach_w: float
    slope_reach: float
    min_weight: float
    other_faults: int


class CrewSettings(Section):
    """[crews] how installers' error rates are counted."""

    first_days: int
    min_judged: int
    offset_sd: float = Field(gt=0)
    stretch_sd: float = Field(gt=0)
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


class RankingSettings(Section):
    """[ranking] which homes are listed, in what order, and how long a visit's word counts."""

    least_likelihood: float = Field(ge=0, le=1)
    least_nights: int = Field(ge=0)
    leave_likelihood: float = Field(ge=0, le=1)
    leave_below: float = Field(le=0)
    max_rows: int
    also_from: float
    visit_days: int
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
    late_days: int = Field(ge=1)
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

    days: int = Field(ge=1)
    work_days: list[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]] = Field(min_length=1)
    trucks: int = Field(ge=1)
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
    history_days: int = Field(ge=1)
    fix_works: float = Field(ge=0, le=1)
    said_fixed: float = Field(ge=0, le=1)
    misnamed: float = Field(ge=0, le=1)
    work_hour: int = Field(ge=0, le=23)
    office_a_day: int = Field(ge=0)
    rest_days: int = Field(ge=0)
    likelihood_from: float = Field(ge=0, le=1)
