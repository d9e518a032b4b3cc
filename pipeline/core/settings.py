"""Every number a user may turn, in one documented file: `settings.toml` beside this module.

A user's own file and the environment (NIGHTCLAMP_SECTION__KEY=...) override single values of it;
unknown keys are refused, and values outside the range that each has in setting_sections/.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from pipeline.core.errors import InputError
from pipeline.core.setting_messages import SEE, variable, wrong_value
from pipeline.core.setting_sections import (
    AlarmSettings,
    ClusterSettings,
    CorrectionSettings,
    CrewSettings,
    DaySettings,
    DispatchSettings,
    EngineSettings,
    FeatureSettings,
    HitRateSettings,
    LakeSettings,
    LogSettings,
    ObjectStoreSettings,
    OnsetSettings,
    OrderSettings,
    OwnFleetSettings,
    PrivacySettings,
    RankingSettings,
    RehearsalSettings,
    ReportSettings,
    RetentionSettings,
    TrainingSettings,
    UtilitySettings,
    VerdictSettings,
    VisitSettings,
)
from pipeline.core.setting_sources import laid_over, read_environment, read_own_file
from pipeline.core.toml_reader import read_toml

DEFAULT_FILE = Path(__file__).with_name("settings.toml")


class Settings(BaseModel):
    """All settings; see settings.toml for the meaning and unit of each."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    engine: EngineSettings
    log: LogSettings
    lake: LakeSettings
    day: DaySettings
    feature: FeatureSettings
    utility: UtilitySettings
    onset: OnsetSettings
    verdict: VerdictSettings
    training: TrainingSettings
    own_fleet: OwnFleetSettings
    crews: CrewSettings
    ranking: RankingSettings
    hit_rate: HitRateSettings
    visits: VisitSettings
    report: ReportSettings
    dispatch: DispatchSettings
    privacy: PrivacySettings
    orders: OrderSettings
    correction: CorrectionSettings
    rehearsal: RehearsalSettings
    alarm: AlarmSettings
    retention: RetentionSettings
    object_store: ObjectStoreSettings
    cluster: ClusterSettings


SECTIONS: Mapping[str, type[BaseModel]] = {
    name: field.annotation
    for name, field in Settings.model_fields.items()
    if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel)
}


@cache
def _shipped() -> dict[str, Any]:
    return read_toml(DEFAULT_FILE.read_text(encoding="utf-8"), DEFAULT_FILE)


def load_settings(path: Path | None = None) -> Settings:
    """Return the shipped settings, overridden by the environment and, over that, by the TOML file at `path`.

    Raises
    ------
    InputError
        The file is missing, is not TOML, or it or the environment holds an unknown key or a value that is not allowed.
    """
    variables, named = read_environment(SECTIONS, os.environ)
    own = {} if path is None else read_own_file(SECTIONS, path)
    try:
        return Settings.model_validate(laid_over(laid_over(_shipped(), variables), own))
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        section, key = str(first["loc"][0]), str(first["loc"][1]) if len(first["loc"]) > 1 else ""
        told = wrong_value(SECTIONS[section], key, first)
        where = _where(section, key, own, named, path)
        raise InputError(f"{where}: {told}; {SEE}") from error


def _where(
    section: str, key: str, own: Mapping[str, Any], named: Mapping[str, str], path: Path | None
) -> str:
    """Return who set a value, or where it is a matter of two of a section, who set one of them.

    Parameters
    ----------
    section, key
        The setting; no key ("") for a whole section.
    own, named
        What the user's file says, and the variables of the environment by the names they are documented under.
    path
        The user's file.
    """
    values = own.get(section)
    if section in own and (not key or not isinstance(values, Mapping) or key in values):
        return f"{path}: setting {section}.{key}".rstrip(".")
    variables = [name for full, name in named.items() if full.startswith(variable(section, key))]
    return variables[0] if variables else f"{DEFAULT_FILE}: setting {section}.{key}".rstrip(".")
