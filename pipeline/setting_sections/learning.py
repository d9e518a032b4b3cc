"""The sections of settings.toml about learning: how the classifier is made and moved to a fleet of one's own."""

from __future__ import annotations

from pydantic import Field

from pipeline.setting_sections.section import LONGEST_DAYS, Section


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
    visit_days: int = Field(ge=0, le=LONGEST_DAYS)
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
