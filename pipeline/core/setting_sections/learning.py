"""The sections of settings.toml about learning: how the classifier is made and moved to a fleet of one's own."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, model_validator

from pipeline.core.setting_sections.section import (
    MOST_HOMES,
    Section,
    above,
    between,
    share,
    span_days,
    spread,
)

_MOST_TREES = 100_000  # each costs its time; a model of more never ends
_Price = Annotated[float, Field(ge=1e-6, le=1e9)]


def _trees() -> Any:
    return between((1, _MOST_TREES), "trees", "each costs its time")


class TrainingSettings(Section):
    """[training] how the classifier is made."""

    fault_share: float = share()
    hard_share: float = share()
    hard_weight: float = above((0.0, 100.0), "homes", "what counts nothing is not learned from")
    rounds: int = _trees()
    which_rounds: int = _trees()
    leg_rounds: int = _trees()
    innocent_rounds: int = _trees()
    learning_rate: float = above(
        (0.0, 1.0), "", "a tree moves the score by something, and no further than it says"
    )
    leaves: int = between((2, 4096), "leaves", "a tree of one leaf says nothing")
    fewest_in_leaf: int = between((1, MOST_HOMES), "homes", "no fleet has more")
    l2_penalty: float = between((0.0, 1e9), "", "beyond, no tree says anything")
    faulty_in_normal: float = share("half of the homes can't be the exception", high=0.5)


class OwnFleetSettings(Section):
    """[own_fleet] how `nightclamp train LAKE` learns from the user's own homes."""

    looks_sound: float = share("a likelihood")
    min_homes: int = between((1, MOST_HOMES), "homes", "no fleet has more")
    most_homes: int = between((1, MOST_HOMES), "homes", "no fleet has more")
    copies: int = between((1, 100), "copies", "each is worked through like a home")
    onset_share: float = share()
    temper_share: float = share()
    held_out_share: float = share()
    holds: list[_Price] = Field(
        min_length=1, max_length=100, description="a list of 1 to 100 prices, each from 0.000001 to 1e9"
    )
    visit_weight: float = between((0.0, 100.0), "homes", "a visit speaks for no more")
    train_every_days: int = span_days()
    visit_days: int = span_days()
    tangent_low: float = between((-10.0, 10.0), "var/W", "no load has more")
    tangent_high: float = between((-10.0, 10.0), "var/W", "no load has more")
    base_quantile: float = share("a quantile")
    bundle_step_w: float = between((0.0, 100_000.0), "W", "no home draws more")
    prior_homes: float = above((0.0, MOST_HOMES), "homes", "a rate that counts for none says nothing")
    prior_faults: float = above((0.0, MOST_HOMES), "faults", "shares that count for none say nothing")
    slope_sd: float = spread()
    beat_z: float = between((-100.0, 100.0), "standard errors", "nothing measured is surer")
    veto_z: float = between((-100.0, 100.0), "standard errors", "nothing measured is surer")
    precision_slack: float = share("a part of an average precision")

    @model_validator(mode="after")
    def _in_order(self) -> OwnFleetSettings:
        if self.min_homes > self.most_homes:
            raise ValueError(f"min_homes = {self.min_homes} is above most_homes = {self.most_homes}")
        if self.tangent_low > self.tangent_high:
            raise ValueError(
                f"tangent_low = {self.tangent_low:g} is above tangent_high = {self.tangent_high:g}"
            )
        if self.temper_share + self.held_out_share >= 1:
            both = f"temper_share = {self.temper_share:g} and held_out_share = {self.held_out_share:g}"
            raise ValueError(f"{both} leave no home to learn from; their sum is below 1")
        return self
