"""lake.toml: how a source's own columns become the contract's, said in a few lines and checked when read.

    [intervals]
    minutes = 15                        # length of an interval, where energy or an end label needs it
    labelled = "end"                    # the source's time is the interval's end
    zone = "America/Denver"             # or a fixed "-07:00"; times that carry their own offset keep it
    [intervals.columns]
    site_id = "meter"
    interval_start = "read_at"
    l1_w = { from = "l1_kwh", unit = "kWh an interval" }
    l2_w = { from = "l2_amps", unit = "A", volts = "l2_volts", power_factor = 0.95, sign = -1 }

A contract column that is not named keeps its own name. Without the file every column does.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, Field, ValidationError, field_validator, model_validator

from pipeline.core import contract
from pipeline.core.errors import InputError
from pipeline.core.toml_reader import read_toml
from pipeline.ingest.partition_days import PartitionDays
from pipeline.ingest.row_config import (
    ENERGY_UNITS,
    UNITS,
    EnergySource,
    Part,
    TimedRows,
    Utility,
    UtilityColumns,
    describe_utility,
    known_zone,
)

REGISTERS = ("sites", "crews", "visits", "trainings", "safety_calls", "meters")


class Source(Part):
    """Where one contract column comes from. A plain text stands for `{ from = text }`."""

    source: str = Field(alias="from")
    unit: str | None = None
    sign: Literal[1, -1] = 1
    volts: str | float | None = None
    power_factor: str | float = 1.0

    @model_validator(mode="before")
    @classmethod
    def _plain_name(cls, value: Any) -> Any:
        return {"from": value} if isinstance(value, str) else value


class Long(Part):
    """One row a channel: the column of the channel's name, that of its value, and channels to skip."""

    channel: str
    value: str
    ignore: tuple[str, ...] = ()


class Intervals(TimedRows):
    """[intervals] of lake.toml."""

    columns: dict[str, Source] = Field(default_factory=dict)
    long: Long | None = None
    partitions: Literal["UTC day", "local day"] = "UTC day"
    partition_zone: str | None = None

    @model_validator(mode="after")
    def _fits_the_contract(self) -> Intervals:
        fields = contract.Interval.columns()
        for name, source in self.columns.items():
            if name not in fields:
                raise ValueError(f"columns.{name} is not in the contract; allowed: {', '.join(fields)}")
            allowed = UNITS.get(str(contract.meta(fields[name])["unit"]), {})
            if source.unit is not None and source.unit not in allowed:
                raise ValueError(
                    f"columns.{name}: unit '{source.unit}' unknown; allowed: {', '.join(allowed)}"
                )
            if source.unit in ENERGY_UNITS and self.minutes is None:
                raise ValueError(f"columns.{name}: '{source.unit}' needs minutes, the length of an interval")
            if source.unit == "A" and source.volts is None:
                raise ValueError(f"columns.{name}: unit A needs volts, a number or a column")
        return self

    @field_validator("partition_zone")
    @classmethod
    def _known_partition_zone(cls, zone: str | None) -> str | None:
        return zone if zone is None else known_zone(zone)

    @model_validator(mode="after")
    def _zone_is_of_local_days(self) -> Intervals:
        if self.partition_zone is not None and self.partitions == "UTC day":
            raise ValueError('partition_zone needs partitions = "local day"')
        return self

    @property
    def partition_days(self) -> PartitionDays:
        """How partitions lie beside UTC days: local days of the zone that is named, or of each home's own."""
        own = None if self.zone == "UTC" else self.zone
        return PartitionDays(self.partitions == "local day", self.partition_zone or own)

    def reads(self) -> set[str]:
        """Return every column that is read from a source file."""
        if self.long is not None:
            keys = [self.columns.get(name) or name for name in ("site_id", "interval_start")]
            names = {key if isinstance(key, str) else key.source for key in keys}
            return names | {self.long.channel, self.long.value}
        sources = {name: self.columns.get(name) for name in contract.Interval.columns()}
        named = [s for s in sources.values() if s is not None]
        helpers = {part for s in named for part in (s.volts, s.power_factor) if isinstance(part, str)}
        return helpers | {name if s is None else s.source for name, s in sources.items()}


class Origin(Part):
    """Where one register column comes from: a column, or the same value in every row."""

    source: str | None = Field(default=None, alias="from")
    always: str | float | bool | None = None

    @model_validator(mode="after")
    def _one_of_both(self) -> Origin:
        if (self.source is None) == (self.always is None):
            raise ValueError("needs one of from (a column) and always (a value)")
        return self

    @model_validator(mode="before")
    @classmethod
    def _plain_name(cls, value: Any) -> Any:
        return {"from": value} if isinstance(value, str) else value


Fields = dict[str, Origin]


class LakeConfig(BaseModel):
    """The whole of lake.toml."""

    model_config = Part.model_config

    intervals: Intervals = Intervals()
    sites: Fields = {}
    crews: Fields = {}
    visits: Fields = {}
    trainings: Fields = {}
    safety_calls: Fields = {}
    meters: Fields = {}
    utility: Utility = Utility()

    @model_validator(mode="after")
    def _fits_the_contract(self) -> LakeConfig:
        for table in REGISTERS:
            allowed = contract.TABLES[table].columns()
            for name in getattr(self, table):
                if name not in allowed:
                    raise ValueError(f"{table}.{name} is not in the contract; allowed: {', '.join(allowed)}")
        return self


def read_lake_config(text: str, where: str) -> LakeConfig:
    """Return the mapping that `text` (the file `where`) says.

    Raises
    ------
    InputError
        Not TOML, an unknown key (with the keys allowed), or a value that makes no sense.
    """
    says = read_toml(text, where)
    try:
        return LakeConfig(**says)
    except ValidationError as error:
        # An unknown key is often why another one is missing.
        first = min(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
        key = ".".join(str(part) for part in first["loc"])
        message = first["msg"].removeprefix("Value error, ")
        if first["type"] == "extra_forbidden":
            message = f"unknown key; allowed: {', '.join(_allowed(first['loc']))}"
        raise InputError(f"{where}: {key + ': ' if key else ''}{message}") from error


def _allowed(where: tuple[int | str, ...]) -> list[str]:
    parts = [str(part) for part in where]
    model: type[BaseModel] = LakeConfig
    if parts[0] == "intervals" and len(parts) > 1:
        model = Intervals
        if len(parts) > 2:
            model = Source if parts[1] == "columns" else Long
    elif parts[0] == "utility" and len(parts) > 1:
        model = (Utility, UtilityColumns, EnergySource)[min(len(parts), 4) - 2]
    elif len(parts) > 1:
        model = Origin
    return [field.alias or name for name, field in model.model_fields.items()]


def describe(mapping: LakeConfig) -> list[str]:
    """Return one line for each contract column that lake.toml fills, saying from what and how."""
    how = mapping.intervals
    lines = [_describe_source(name, source, how) for name, source in how.columns.items()]
    if how.long is not None:
        skipped = f"; ignored: {', '.join(how.long.ignore)}" if how.long.ignore else ""
        long = f"one row a channel, named in '{how.long.channel}', value in '{how.long.value}'"
        lines.append(f"intervals: {long}{skipped}")
    if "interval_start" not in how.columns and (how.zone, how.labelled) != ("UTC", "start"):
        lines.append(_describe_source("interval_start", Source.model_validate("interval_start"), how))
    if how.partitions == "local day":
        zone = how.partition_days.zone
        of_zone = (
            f"of {zone}" if zone else "of each home's zone; partition_zone names one zone and saves reading"
        )
        lines.append(f"intervals: partitions are local days {of_zone}; a row belongs where its time says")
    for table in REGISTERS:
        for name, origin in getattr(mapping, table).items():
            origin_text = (
                f"always '{origin.always}'" if origin.always is not None else f"from '{origin.source}'"
            )
            lines.append(f"{table}.{name}: {origin_text}")
    return lines + describe_utility(mapping.utility)


def _describe_source(name: str, source: Source, how: Intervals) -> str:
    text = f"intervals.{name}: from '{source.source}'"
    if name == "interval_start":
        text += f", time of {how.zone}"
        return text + (
            f", the interval's end, {how.minutes} min after its start" if how.labelled == "end" else ""
        )
    if source.unit is not None:
        length = f" of {how.minutes} min" if source.unit in ENERGY_UNITS else ""
        text += f" in {source.unit}{length}"
    if source.unit == "A":
        text += f" x volts {source.volts} x power factor {source.power_factor}"
    return text + (", sign turned" if source.sign < 0 else "")
