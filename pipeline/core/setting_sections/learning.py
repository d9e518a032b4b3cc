"""The sections of settings.toml about learning: how the classifier is made and moved to a fleet of one's own."""

from __future__ import annotations

from pydantic import Field

from pipeline.core.setting_sections.section import LONGEST_DAYS, Section


class TrainingSettings(Section):
    """[training] how the classifier is made."""

    fault_share: float = Field(ge=0, le=1)
    hard_share: float = Field(ge=0, le=1)
    hard_weight: float = Field(gt=0)
    rounds: int = Field(ge=1)
    which_rounds: int = Field(ge=1)
    leg_rounds: int = Field(ge=1)
    innocent_rounds: int = Field(ge=1)
    learning_rate: float = Field(gt=0, le=1)
    leaves: int = Field(ge=2)
    fewest_in_leaf: int = Field(ge=1)
    l2_penalty: float = Field(ge=0)
    faulty_in_normal: float = Field(ge=0, le=0.5)


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
    visit_weight: float
    train_every_days: int = Field(ge=0, le=LONGEST_DAYS)
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
