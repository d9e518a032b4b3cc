"""The sections of settings.toml, each a class: what there is to turn, of which type and in which range.

The file has the meaning and the unit of each.
"""

from pipeline.core.setting_sections.data import (
    ClusterSettings,
    DaySettings,
    EngineSettings,
    FeatureSettings,
    LakeSettings,
    LogSettings,
    ObjectStoreSettings,
    OnsetSettings,
    UtilitySettings,
    VerdictSettings,
)
from pipeline.core.setting_sections.learning import (
    OwnFleetSettings,
    TrainingSettings,
)
from pipeline.core.setting_sections.reporting import (
    AlarmSettings,
    CrewSettings,
    PrivacySettings,
    ReportSettings,
    RetentionSettings,
)
from pipeline.core.setting_sections.section import Section
from pipeline.core.setting_sections.visiting import (
    CorrectionSettings,
    DispatchSettings,
    HitRateSettings,
    OrderSettings,
    RankingSettings,
    RehearsalSettings,
    VisitSettings,
)

__all__ = [
    "AlarmSettings",
    "ClusterSettings",
    "CorrectionSettings",
    "CrewSettings",
    "DaySettings",
    "DispatchSettings",
    "EngineSettings",
    "FeatureSettings",
    "HitRateSettings",
    "LakeSettings",
    "LogSettings",
    "ObjectStoreSettings",
    "OnsetSettings",
    "OrderSettings",
    "OwnFleetSettings",
    "PrivacySettings",
    "RankingSettings",
    "RehearsalSettings",
    "ReportSettings",
    "RetentionSettings",
    "Section",
    "TrainingSettings",
    "UtilitySettings",
    "VerdictSettings",
    "VisitSettings",
]
