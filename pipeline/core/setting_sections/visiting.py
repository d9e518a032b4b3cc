"""The sections of settings.toml about visits: what going is worth, what it proves, who goes, with which sheet."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints, field_validator, model_validator

from pipeline.core.setting_sections.section import (
    MOST_HOMES,
    Section,
    above,
    between,
    chance,
    share,
    some_share,
    span_days,
)

_MOST_MONEY = 1e9  # of any currency: an hour, a visit or a day costs less
_Word = Annotated[str, StringConstraints(min_length=1, max_length=40)]
_Likelihood = Annotated[float, Field(ge=0, le=1)]
_MOST_LATITUDE, _MOST_LONGITUDE = 90, 180


def _money(unit: str = "of currency") -> Any:
    return between((0.0, _MOST_MONEY), unit, "a price; nothing here costs more")


def _minutes(low: float = 0.0) -> Any:
    return between((low, 1440.0), "min", "a day")


class RankingSettings(Section):
    """[ranking] which homes are listed, in what order, and how long a visit's word counts."""

    least_likelihood: float = share("a likelihood")
    least_nights: int = span_days()
    leave_likelihood: float = share("a likelihood")
    leave_below: float = between((-_MOST_MONEY, 0.0), "of currency", "above 0 homes would come and go")
    max_rows: int = between((1, MOST_HOMES), "rows", "no fleet has more homes")
    also_from: float = share("a likelihood")
    visit_days: int = span_days()
    currency: str = Field(
        min_length=1, max_length=12, description="a currency's name of 1 to 12 letters, such as USD"
    )
    horizon_days: float = between((0.0, 36_500.0), "days", "no fleet's story is longer")
    kwh_value: float = _money("of currency a kWh")
    kwh_cap: float = between((0.0, 1e6), "kWh a day", "no home uses more")
    home_value_day: float = _money("of currency a day")
    chance_visit: float = chance()
    chance_office: float = chance()
    chance_visits: float = above((0.0, 1e6), "visits", "a chance that counts for none says nothing")
    chance_hold: float = above((0.0, 1e6), "visits", "a chance that counts for none says nothing")
    drive_min: float = _minutes()
    drive_neighbours: int = between((1, 1000), "homes", "a day's round has no more stops")
    least_drive_min: float = _minutes()
    most_drive_min: float = _minutes()
    labour_rate_h: float = _money("of currency an hour")
    office_rate_h: float = _money("of currency an hour")
    needless_visit_cost: float = _money()
    needless_office_cost: float = _money()

    @field_validator("currency")
    @classmethod
    def _can_be_printed(cls, text: str) -> str:
        if not text.isprintable() or not text.strip():
            raise ValueError("is not a currency's name of 1 to 12 letters, such as USD")
        return text

    @model_validator(mode="after")
    def _in_order(self) -> RankingSettings:
        if self.least_drive_min > self.most_drive_min:
            least, most = f"{self.least_drive_min:g}", f"{self.most_drive_min:g}"
            raise ValueError(f"least_drive_min = {least} is above most_drive_min = {most}")
        return self


class HitRateSettings(Section):
    """[hit_rate] how what visits found is held against what was promised."""

    alpha: float = chance("drift would never or always be called")
    surest: float = between((0.51, 1.0), "", "a promise below a half is none")
    late_days: int = span_days(1)
    min_visits: int = between((1, 1_000_000), "visits", "no fleet has more")


class VisitSettings(Section):
    """[visits] when the data since a visit prove it, or show that it didn't work."""

    fix_works: float = chance()
    proved_below: float = share("a likelihood")
    disproved_from: float = share("a likelihood")
    again_nights: int = span_days(1)
    sound_days: int = span_days()
    proof_z: float = between((0.0, 100.0), "standard errors", "nothing measured is surer")
    gain_off: float = between((0.0, 10.0), "W/W", "a right CT reads 1 W/W")
    night_least_w: float = between((0.0, 100_000.0), "W", "no home draws more")
    night_negative: float = share("a share of night intervals")

    @model_validator(mode="after")
    def _in_order(self) -> VisitSettings:
        if self.proved_below > self.disproved_from:
            below, since = f"{self.proved_below:g}", f"{self.disproved_from:g}"
            raise ValueError(
                f"proved_below = {below} is above disproved_from = {since}; a visit can't be both"
            )
        return self


class DispatchSettings(Section):
    """[dispatch] trucks, shifts and roads of `nightclamp dispatch`."""

    days: int = span_days(1, high=366, why="a year; lists are made anew each night")
    work_days: list[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]] = Field(
        min_length=1, max_length=7, description="a list of days: mon, tue, wed, thu, fri, sat, sun"
    )
    trucks: int = between((1, 500), "trucks", "more make no plan that is found in time")
    hours: float = between((0.1, 24.0), "h", "a shift is within a day")
    start_time: str = Field(
        pattern=r"^([01]?[0-9]|2[0-3]):[0-5][0-9]$", description="a time of day, HH:MM, such as 08:00"
    )
    start: list[float] = Field(
        max_length=2, description="[latitude, longitude] in degrees, -90 to 90 and -180 to 180, or empty"
    )
    speed_km_h: float = between((1.0, 200.0), "km/h", "slower than a walk or faster than any road allows")
    road_factor: float = between((1.0, 100.0), "", "no road is shorter than the straight line")
    homes_per_truck: int = between((1, 1000), "homes", "the route solver's time grows with their square")
    pool_drive_share: float = between((0.0, 10.0), "", "a share of the drive there and back")
    iterations_per_home: int = between((1, 10_000), "iterations", "each costs its time")
    seed: int = between((0, 2**31 - 1), "", "what the route solver takes")
    page_rows: int = between((0, 20_000), "rows", "a page of more opens slowly on a phone")

    @field_validator("start")
    @classmethod
    def _is_a_place(cls, start: list[float]) -> list[float]:
        if start and (len(start) != 2 or abs(start[0]) > _MOST_LATITUDE or abs(start[1]) > _MOST_LONGITUDE):
            raise ValueError("is not [latitude, longitude] in degrees, -90 to 90 and -180 to 180")
        return start


class OrderSettings(Section):
    """[orders] what a work order prints and how a home is proved right before leaving."""

    homes: int = between((0, 100_000), "homes", "each is a sheet of its own")
    paper: Literal["letter", "a4"] = Field(description='"letter" or "a4"')
    known_load_w: float = between((10.0, 100_000.0), "W", "less can't be told from a home's noise")
    load_tolerance: float = between((0.001, 0.999), "", "a share of the load")
    quiet_w: float = between((0.0, 100_000.0), "W", "no home draws more")
    solar_w: float = between((1.0, 1e6), "W", "without sun there is no answer to it")
    draws: int = between((1, 1000), "draws", "each costs its time, for each fault of each order")
    same_slope: float = between((0.0, 10.0), "W/W", "a right CT reads 1 W/W")
    others: int = between((0, 100), "faults", "there are no more to suspect")
    others_from: float = share("a likelihood")
    others_least: int = between((0, 100), "faults", "there are no more to suspect")
    likelihood_words: dict[_Word, _Likelihood] = Field(
        min_length=1, max_length=40, description="a table of words, each with a likelihood from 0 to 1"
    )
    min_nights: int = span_days(1)
    usual_nights: int = span_days(1)

    @field_validator("likelihood_words")
    @classmethod
    def _have_a_word_for_each(cls, words: dict[str, float]) -> dict[str, float]:
        if min(words.values()) > 0:
            raise ValueError("have no word for a likelihood of 0; give one of them 0.0")
        return words


class RehearsalSettings(Section):
    """[rehearsal] the fleet and the crews that `nightclamp rehearse` makes up."""

    fault_share: float = share()
    onset_share: float = share()
    hard_share: float = share()
    history_days: int = span_days(1, high=3650, why="each is simulated and read")
    fix_works: float = share("a chance")
    said_fixed: float = share("a chance")
    misnamed: float = share("a chance")
    work_hour: int = between((0, 23), "h UTC", "an hour of the day")
    office_a_day: int = between((0, 1_000_000), "fixes", "no desk does more")
    rest_days: int = span_days()
    likelihood_from: float = share("a likelihood")


class CorrectionSettings(Section):
    """[correction] past readings put right."""

    in_night: bool
    least_likelihood: float = some_share("at 0 sound homes would be corrected")
    rival_share: float = between((0.001, 0.999), "", "a share of the likeliest, below all of it")
    home_pages: int = between((0, 100_000), "homes", "each is a file of its own")
