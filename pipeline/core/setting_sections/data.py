"""The sections of settings.toml about data: what a row must be, a day's numbers, the window's features."""

from __future__ import annotations

import re
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

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

_MEMORY = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?([KMGT])i?B")
_MB_OF = {"K": 1e-3, "M": 1.0, "G": 1e3, "T": 1e6}
_LEAST_MB, _MOST_MB = 200, 64e6  # less holds no shard's rows; no machine has more
_LEAST_THREAD_MB = 15  # with less DuckDB can't hold the rows that one thread reads at a time


def _watts(low: float = 0.0, why: str = "a threshold of a home's powers: no home draws more") -> Any:
    return between((low, 100_000.0), "W", why)


class EngineSettings(Section):
    """[engine] what the night may use of the machine."""

    threads: int = between((1, 256), "threads", "more than a machine's cores only wait for each other")
    workers: int = between((1, 256), "workers", "more than a machine's cores only wait for each other")
    memory_limit: str = Field(description='an amount of memory from 200MB to 64TB, such as "4GB"')

    @field_validator("memory_limit")
    @classmethod
    def _makes_a_machine(cls, text: str) -> str:
        if not _LEAST_MB <= _megabytes(text) <= _MOST_MB:
            raise ValueError('is not an amount of memory from 200MB to 64TB, such as "4GB"')
        return text

    @model_validator(mode="after")
    def _is_enough_for_each(self) -> EngineSettings:
        each = _megabytes(self.memory_limit) / (self.workers * self.threads)
        if each < _LEAST_THREAD_MB:
            sharing = f"{self.workers} workers of {self.threads} threads"
            raise ValueError(
                f"memory_limit = {self.memory_limit} is too little for {sharing}: at least {_LEAST_THREAD_MB}MB each"
            )
        return self


def _megabytes(text: str) -> float:
    """Return an amount of memory in MB, 0 for a text that is none."""
    amount = _MEMORY.fullmatch(text)
    return 0.0 if amount is None else float(amount[1]) * _MB_OF[amount[2]]


class LogSettings(Section):
    """[log] how a command says what it does."""

    format: Literal["text", "json"]


class LakeSettings(Section):
    """[lake] what a row must be to be used."""

    leg_headroom: float = between((1.0, 100.0), "", "below 1 a home at its full service would be rejected")
    default_service_amps: float = between((1.0, 4000.0), "A", "what sites.service_amps may be")
    pv_headroom: float = between((1.0, 100.0), "", "below 1 an array at its rating would be rejected")
    unknown_pv_kw: float = between((0.0, 10_000.0), "kW", "what sites.pv_kw may be")
    homes_per_shard: int = between((1, MOST_HOMES), "homes", "no fleet has more")
    check_days: int = span_days(1)
    gap_share: float = share("a share of a day's intervals")
    second_length_share: float = share("a share of a day's steps")


class DaySettings(Section):
    """[day] what a day's statistics are taken over."""

    default_length_min: float = between((1.0, 60.0), "min", "the lengths of intervals that a lake may have")
    longest_gap_min: float = between((1.0, 1440.0), "min", "a day")
    dark_deg: float = between((-18.0, 0.0), "deg", "from the end of dusk to the horizon")
    sun_deg: float = between((0.1, 60.0), "deg", "in the north's winter the sun never gets higher than a few")
    pv_quiet_w: float = _watts()
    pv_quiet_share: float = share("a share of pv_kw")
    battery_idle_w: float = _watts()
    noise_w: float = _watts()
    zero_w: float = _watts()
    balanced_w: float = _watts()
    tiny_w: float = _watts()
    drop_w: float = _watts()
    glitch_share: float = share("a share of what was read")
    calm_w: float = _watts()
    ramp_span_min: float = between((1.0, 240.0), "min", "beyond, no ramp is left but morning and evening")
    ramp_core_share: float = share("a share of the ramp")
    ramp_min_w: float = _watts(1.0, "a ramp of nothing calibrates nothing")
    ramp_share: float = share("a share of pv_kw")
    active_w: float = _watts()
    alike_w: float = _watts()
    alike_share: float = share("a share of the bigger step")
    pair_w: float = _watts()
    pair_log_range: float = between((0.0, 10.0), "", "the ratio of two legs, in natural logarithms")
    leak_w: float = _watts()
    volt_low: float = between((1.0, 119.0), "V", "below the 120 V of a leg")
    volt_high: float = between((121.0, 400.0), "V", "above the 120 V of a leg, up to what l1_v may be")


class FeatureSettings(Section):
    """[feature] what the window's probes need before they speak."""

    min_ramps: int = between((1, 1440), "ramps", "a day has no more minutes")
    few_ramps: float = between((0.0, 1000.0), "ramps", "a day has no more")
    slope_day_sd: float = between((1e-6, 10.0), "W/W", "more than nothing; a right CT reads 1 W/W")
    clock_off_h: float = between((0.01, 12.0), "h", "half a day off is as far as a clock can be")
    clock_pv_w: float = _watts()
    clock_sky_corr: float = share("a correlation")
    sag_apart: float = share("a part of a step")
    probe_se: float = between((1e-6, 10.0), "W/W", "more than nothing; a right CT reads 1 W/W")


class OnsetSettings(Section):
    """[onset] when a home is said to have changed."""

    min_z: float = between((0.5, 100.0), "standard errors", "below, every home changes every night")
    gain_shift: float = between((0.0, 10.0), "W/W", "a right CT reads 1 W/W")
    share_shift: float = share()
    zero_shift: float = share("the root of a share")
    night_shift: float = between((0.0, 100.0), "", "in units of night_w")
    night_w: float = _watts(0.1, "divides, so it is more than nothing")
    gain_sd: float = spread("divides, so it is more than nothing; a right CT reads 1 W/W")
    share_sd: float = spread("divides, so it is more than nothing; of a share")
    zero_sd: float = spread("divides, so it is more than nothing; of a share")
    night_sd: float = spread("divides, so it is more than nothing; in the units of night_shift")
    min_days: int = span_days(1, why="a change has days on either side")


class VerdictSettings(Section):
    """[verdict] what a likelihood is called."""

    suspect: float = share("a likelihood")
    sound: float = share("a likelihood")
    base_rate: float = chance()
    rate_homes: float = above((0.0, MOST_HOMES), "homes", "a share that counts for no home says nothing")
    ask_from: float = chance()
    record: float = chance()
    min_nights: int = span_days()
    neutral_v_per_kw: float = between((0.01, 100.0), "V/kW", "0 would suspect every service")
    neutral_three_lines_v_per_kw: float = between((0.01, 100.0), "V/kW", "0 would suspect every service")
    neutral_times_usual: float = between((1.0, 100.0), "times", "less would suspect half of a fleet")
    neutral_scale: float = some_share("a CT that reads nothing of what flows says nothing")
    neutral_clear_nights: int = span_days(1)
    neutral_clear_z: float = between((0.0, 100.0), "standard errors", "nothing measured is surer")

    @model_validator(mode="after")
    def _in_order(self) -> VerdictSettings:
        if self.sound > self.suspect:
            raise ValueError(
                f"sound = {self.sound:g} is above suspect = {self.suspect:g}; a home can't be both"
            )
        return self


class UtilitySettings(Section):
    """[utility] what files of the utility's meter must hold to prove scale, and how far back a night looks for it."""

    least_days: int = span_days(1)
    least_hours: int = between((24, 24 * 3650), "h", "from a day to ten years")
    older_days: int = span_days()
    oldest_days: int = span_days()
    offset_left: float = chance("with none or all of it, no clock or every clock is off")
    legs_share: float = between((0.0, 0.999), "", "a share below the whole")


class ClusterSettings(Section):
    """[cluster] how work is handed to a Dask cluster."""

    tasks_per_thread: int = between((1, 1000), "tasks", "each costs its handing out")
    most_pieces: int = between((1, 100_000), "pieces", "each has a day's rows of a shard")
    connect_s: float = between((0.1, 3600.0), "s", "a scheduler that is not there in an hour is not coming")


class ObjectStoreSettings(Section):
    """[object_store] how patiently an object store is asked, and where working copies lie."""

    tries: int = between((1, 100), "tries", "a store that refuses so often is not there")
    give_up_s: float = between((0.1, 86_400.0), "s", "a day: by then the next night comes")
    first_wait_s: float = between((0.001, 3600.0), "s", "0 would hammer a store that throttles")
    longest_wait_s: float = between((0.001, 3600.0), "s", "0 would hammer a store that throttles")
    connect_s: float = between((0.1, 3600.0), "s", "0 would never connect")
    answer_s: float = between((0.1, 3600.0), "s", "0 would never wait for an answer")
    at_once: int = between((1, 64), "objects", "more are throttled, and each holds up to 8 MB")
    lock_s: float = between(
        (1.0, 86_400.0), "s", "it is renewed at a share of this; a day keeps the next night out"
    )
    cache: str = Field(max_length=1024, description="a folder's name of up to 1024 letters, or empty")

    @model_validator(mode="after")
    def _in_order(self) -> ObjectStoreSettings:
        if self.first_wait_s > self.longest_wait_s:
            first, longest = f"{self.first_wait_s:g}", f"{self.longest_wait_s:g}"
            raise ValueError(f"first_wait_s = {first} is above longest_wait_s = {longest}")
        return self

    @field_validator("cache")
    @classmethod
    def _is_a_name(cls, text: str) -> str:
        if not text.isprintable():
            raise ValueError("is not a folder's name in printable UTF-8 text")
        return text
