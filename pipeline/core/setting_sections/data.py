"""The sections of settings.toml about data: what a row must be, a day's numbers, the window's features."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.core.setting_sections.section import LONGEST_DAYS, Section


class EngineSettings(Section):
    """[engine] what the night may use of the machine."""

    threads: int = Field(ge=1, le=256)
    workers: int = Field(ge=1, le=256)
    memory_limit: str = Field(pattern=r"^[0-9]+(\.[0-9]+)? ?[KMGT]i?B$")


class LogSettings(Section):
    """[log] how a command says what it does."""

    format: Literal["text", "json"]


class LakeSettings(Section):
    """[lake] what a row must be to be used."""

    leg_headroom: float
    default_service_amps: float
    pv_headroom: float
    unknown_pv_kw: float
    homes_per_shard: int = Field(ge=1)
    check_days: int = Field(ge=0, le=LONGEST_DAYS)
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
    gain_sd: float = Field(gt=0)
    share_sd: float = Field(gt=0)
    zero_sd: float = Field(gt=0)
    night_sd: float = Field(gt=0)
    min_days: int = Field(ge=0, le=LONGEST_DAYS)


class VerdictSettings(Section):
    """[verdict] what a likelihood is called."""

    suspect: float
    sound: float
    base_rate: float = Field(gt=0, lt=1)
    rate_homes: float = Field(gt=0)
    ask_from: float = Field(gt=0, lt=1)
    record: float = Field(gt=0, lt=1)
    min_nights: int
    neutral_v_per_kw: float
    neutral_scale: float = Field(gt=0, le=1)
    neutral_clear_nights: int = Field(ge=1, le=LONGEST_DAYS)
    neutral_clear_z: float = Field(ge=0)


class UtilitySettings(Section):
    """[utility] what files of the utility's meter must hold to prove scale, and how far back a night looks for it."""

    least_days: int = Field(ge=1, le=LONGEST_DAYS)
    least_hours: int = Field(ge=24)
    older_days: int = Field(ge=0, le=LONGEST_DAYS)
    oldest_days: int = Field(ge=0, le=LONGEST_DAYS)
    offset_left: float = Field(gt=0, lt=1)
    legs_share: float = Field(ge=0, lt=1)


class ClusterSettings(Section):
    """[cluster] how work is handed to a Dask cluster."""

    tasks_per_thread: int = Field(ge=1)
    most_pieces: int = Field(ge=1)
    connect_s: float = Field(gt=0)


class ObjectStoreSettings(Section):
    """[object_store] how patiently an object store is asked, and where working copies lie."""

    tries: int = Field(ge=1, le=100)
    give_up_s: float = Field(gt=0)
    first_wait_s: float = Field(gt=0)
    longest_wait_s: float = Field(gt=0)
    connect_s: float = Field(gt=0)
    answer_s: float = Field(gt=0)
    at_once: int = Field(ge=1, le=64)
    lock_s: float = Field(ge=1)
    cache: str
