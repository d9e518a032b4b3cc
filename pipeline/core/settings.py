"""Every number a user may turn, in one documented file: `settings.toml` beside this module.

A user's own file and the environment (NIGHTCLAMP_SECTION__KEY=...) override single values of it;
unknown keys are refused.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

from pydantic import BaseModel, ValidationError
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
    CorrectionSettings,
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
    RetentionSettings,
    TrainingSettings,
    UtilitySettings,
    VerdictSettings,
    VisitSettings,
)
from pipeline.core.toml_reader import read_toml

DEFAULT_FILE = Path(__file__).with_name("settings.toml")
_PREFIX, _NESTED, _ENVIRONMENT = "NIGHTCLAMP_", "__", "environment"  # of its variables


class Settings(BaseSettings):
    """All settings; see settings.toml for the meaning and unit of each."""

    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, env_prefix=_PREFIX, env_nested_delimiter=_NESTED
    )

    engine: EngineSettings
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
    overrides = {} if path is None else read_toml(_read_text(path), path)
    for name in os.environ:
        if name.upper().startswith(_PREFIX):
            _refuse_unknown(name, name.upper().removeprefix(_PREFIX).lower().split(_NESTED), _ENVIRONMENT)
    for section, values in overrides.items():
        for key in values if isinstance(values, dict) and values else ("",):
            _refuse_unknown(f"{section}.{key}".strip("."), [section, key], str(path))
    try:
        return Settings(**overrides)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise InputError(
            f"{path or _ENVIRONMENT}: setting {where}: {first['msg'].lower()}; see the shipped settings.toml"
        ) from error


def _read_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such settings file; name a TOML file with --settings") from error
    except IsADirectoryError as error:
        raise InputError(f"{path}: is a folder; name a TOML file with --settings") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not UTF-8 text; a settings file is TOML") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read as a settings file: {error.strerror}") from error


def _refuse_unknown(shown: str, parts: Sequence[str], where: str) -> None:
    """Refuse a setting that there is not, with the name of the one that looks most like it.

    Raises
    ------
    InputError
        There is no such section, or no such key in it.
    """
    section, key = parts[0], parts[1] if len(parts) > 1 else ""
    keys = {name: _keys(name) for name in Settings.model_fields}
    if section in keys and (not key or key in keys[section]):
        return
    here = get_close_matches(key, keys.get(section, ()), n=1)
    elsewhere = [name for name in keys if key in keys[name]]
    section_like = get_close_matches(section, keys, n=1)
    everywhere = {one: name for name in keys for one in keys[name]}
    like: tuple[str, str] | None = None
    if here:
        like = section, here[0]
    elif section not in keys and section_like:
        best = get_close_matches(key, keys[section_like[0]], n=1)
        like = section_like[0], best[0] if best else ""
    elif elsewhere:
        like = elsewhere[0], key
    elif close := get_close_matches(key or section, everywhere, n=1):
        like = everywhere[close[0]], close[0]
    if like is None:
        hint = "see the shipped settings.toml"
    elif where == _ENVIRONMENT:
        hint = f"did you mean {_PREFIX}{_NESTED.join(like).upper()}?"
    else:
        hint = f"did you mean {f'[{like[0]}] {like[1]}'.strip()}?"
    raise InputError(f"{where}: {shown} is not a setting; {hint}")


def _keys(section: str) -> tuple[str, ...]:
    kind = Settings.model_fields[section].annotation
    return tuple(kind.model_fields) if isinstance(kind, type) and issubclass(kind, BaseModel) else ()
