"""Every number a user may turn, in one documented file: `settings.toml` beside this module.

A user's own file and the environment (NIGHTCLAMP_SECTION__KEY=...) override single values of it;
unknown keys are refused.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    TomlConfigSettingsSource,
)

from pipeline.core.errors import InputError
from pipeline.core.setting_sections import (
    AlarmSettings,
    ClusterSettings,
    CrewSettings,
    DaySettings,
    DispatchSettings,
    EngineSettings,
    FeatureSettings,
    HitRateSettings,
    LakeSettings,
    ObjectStoreSettings,
    OnsetSettings,
    OrderSettings,
    OwnFleetSettings,
    PrivacySettings,
    RankingSettings,
    RehearsalSettings,
    ReportSettings,
    TrainingSettings,
    VerdictSettings,
    VisitSettings,
)
from pipeline.core.toml_reader import read_toml

DEFAULT_FILE = Path(__file__).with_name("settings.toml")


class Settings(BaseSettings):
    """All settings; see settings.toml for the meaning and unit of each."""

    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, env_prefix="NIGHTCLAMP_", env_nested_delimiter="__"
    )

    engine: EngineSettings
    lake: LakeSettings
    day: DaySettings
    feature: FeatureSettings
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
    rehearsal: RehearsalSettings
    alarm: AlarmSettings
    object_store: ObjectStoreSettings
    cluster: ClusterSettings

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The user's file (given at init) over the environment over the shipped file."""
        shipped = TomlConfigSettingsSource(settings_cls, toml_file=DEFAULT_FILE)
        return (init_settings, env_settings, shipped)


def load_settings(path: Path | None = None) -> Settings:
    """Return the shipped settings, overridden by the environment and by the TOML file at `path`.

    Raises
    ------
    InputError
        The file is missing, is not TOML, or holds an unknown key or a value of the wrong type.
    """
    overrides: dict[str, Any] = {}
    if path is not None:
        try:
            overrides = read_toml(path.read_text(encoding="utf-8"), path)
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"{path}: cannot be read as a settings file ({error})") from error
    try:
        return Settings(**overrides)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise InputError(
            f"{path or 'environment'}: setting {where}: {first['msg'].lower()}; see the shipped settings.toml"
        ) from error
