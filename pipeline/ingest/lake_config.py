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

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, Field, PrivateAttr, ValidationError, field_validator, model_validator

from pipeline.core import contract
from pipeline.core.errors import InputError
from pipeline.core.toml_reader import read_toml
from pipeline.ingest.column_source import Source
from pipeline.ingest.partition_days import PartitionDays
from pipeline.ingest.row_config import (
    EnergySource,
    Part,
    TimedRows,
    Utility,
    UtilityColumns,
    known_zone,
)

REGISTERS = ("sites", "crews", "visits", "trainings", "safety_calls", "meters")


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

    files: Literal["a day", "any day"] = "a day"
    # The homes' ratings [kW] where a production stands for each kW, from the register; not from lake.toml.
    _ratings: Mapping[str, float | None] = PrivateAttr(default_factory=dict)

    @model_validator(mode="after")
    def _fits_the_contract(self) -> Intervals:
        fields = contract.Interval.columns()
        for name, source in self.columns.items():
            if name not in fields:
                raise ValueError(f"columns.{name} is not in the contract; allowed: {', '.join(fields)}")
            if fault := source.fault(name, self.minutes):
                raise ValueError(f"columns.{name}: {fault}")
        stamp = self.sources()["interval_start"]
        if stamp.parts and "year" not in self.stamp_parts:
            raise ValueError("columns.interval_start: a stamp in parts needs year, a number or a column")
        if stamp.parts and self.time_format is not None:
            raise ValueError("time_format is for stamps in one column, columns.interval_start is in parts")
        if self.year is not None and self.time_format is None and not stamp.parts:
            raise ValueError("year is for stamps without one: a time_format without a year, or parts")
        return self

    @field_validator("partition_zone")
    @classmethod
    def _known_partition_zone(cls, zone: str | None) -> str | None:
        return zone if zone is None else known_zone(zone)

    @model_validator(mode="after")
    def _days_are_of_partitions(self) -> Intervals:
        if self.files == "any day" and self.partitions != "UTC day":
            raise ValueError(
                'partitions = "local day" is for files of one day; leave it out with files = "any day"'
            )
        return self

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

    @property
    def ratings(self) -> Mapping[str, float | None]:
        """The homes' ratings [kW], null where the register has none; empty unless a unit needs them."""
        return self._ratings

    @property
    def needs_ratings(self) -> bool:
        """Whether a production stands for each kW of the home's rating."""
        return any(source.is_rated for source in self.columns.values())

    def with_ratings(self, ratings: Mapping[str, float | None]) -> Intervals:
        """Return the same with the homes' ratings [kW]."""
        rated = self.model_copy()
        rated._ratings = dict(ratings)
        return rated

    def sources(self) -> dict[str, Source]:
        """Return where each contract column comes from; what isn't named keeps its name."""
        return {
            name: self.columns.get(name) or Source.model_validate(name)
            for name in contract.Interval.columns()
        }

    @property
    def stamp_parts(self) -> dict[str, str | int]:
        """The parts of a stamp, by name; the year of the files where they have none."""
        parts = self.sources()["interval_start"].parts
        return ({"year": self.year} if self.year is not None else {}) | parts

    @property
    def stamp_name(self) -> str:
        """What errors call the column of times."""
        source = self.sources()["interval_start"]
        columns = [part for part in source.parts.values() if isinstance(part, str)]
        return source.source or ", ".join(columns)

    def reads_in_order(self) -> list[str]:
        """Return every column that is read from a source file."""
        sources = self.sources()
        if self.long is not None:
            sources = {name: sources[name] for name in ("site_id", "interval_start")}
        names = [column for source in sources.values() for column in sorted(source.columns())]
        return names + ([self.long.channel, self.long.value] if self.long is not None else [])

    def reads(self) -> set[str]:
        """Return every column that is read from a source file."""
        return set(self.reads_in_order())


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
