"""How a source writes rows of readings: separators, times and units, as lake.toml says for each kind of file."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from pipeline.core import contract

ENERGY_UNITS = {"Wh an interval": 1.0, "kWh an interval": 1000.0}
UNITS: dict[str, dict[str, float]] = {
    "W": {"W": 1.0, "kW": 1000.0, "A": 1.0, **ENERGY_UNITS},
    "var": {"var": 1.0, "kvar": 1000.0},
    "V": {"V": 1.0},
    "Wh": {"Wh": 1.0, "kWh": 1000.0},
}
# What stands for a year in a format of times.
_YEARS = ("%Y", "%C", "%y", "%G", "%g", "%D", "%x", "%F", "%v", "%c", "%+", "%s")
EPOCHS: dict[str, Literal["s", "ms"]] = {"epoch s": "s", "epoch ms": "ms"}


class Part(BaseModel):
    """A part of lake.toml: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class TimedRows(Part):
    """What files of rows with a time have in common."""

    minutes: int | None = None
    labelled: Literal["start", "end"] = "start"
    zone: str = "UTC"
    time_format: str | None = None
    delimiter: str = Field(default=",", min_length=1, max_length=1)
    decimal: Literal[".", ","] = "."
    empty: tuple[str, ...] = ()
    year: int | None = Field(default=None, ge=1970, le=2100)
    skip_rows: int = Field(default=0, ge=0, le=1000)

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return known_zone(zone)

    @field_validator("delimiter")
    @classmethod
    def _can_part_fields(cls, delimiter: str) -> str:
        if delimiter != "\t" and (not delimiter.isascii() or not delimiter.isprintable() or delimiter == '"'):
            raise ValueError(f"{delimiter!r} can't part fields; use a tab or a plain sign such as ; or |")
        return delimiter

    @field_validator("minutes")
    @classmethod
    def _known_length(cls, minutes: int | None) -> int | None:
        if minutes is not None and minutes not in contract.INTERVAL_MINUTES:
            raise ValueError(f"{minutes} is not one of {contract.INTERVAL_MINUTES}")
        return minutes

    @model_validator(mode="after")
    def _end_has_a_start(self) -> TimedRows:
        if self.labelled == "end" and self.minutes is None:
            raise ValueError('labelled = "end" needs minutes, the length of an interval')
        return self

    @model_validator(mode="after")
    def _stamps_have_a_year(self) -> TimedRows:
        form = self.time_format
        if form is None or form in EPOCHS:
            return self
        has_year = any(sign in form for sign in _YEARS)
        if not has_year and self.year is None:
            raise ValueError(f"time_format '{form}' has no year; say it in year, as in year = 2025")
        if has_year and self.year is not None:
            raise ValueError(f"time_format '{form}' has a year of its own; leave year out")
        return self


class EnergySource(Part):
    """Where an energy of an interval comes from. A plain text stands for `{ from = text }`."""

    source: str = Field(alias="from")
    unit: Literal["Wh", "kWh"] = "Wh"
    sign: Literal[1, -1] = 1

    @model_validator(mode="before")
    @classmethod
    def _plain_name(cls, value: Any) -> Any:
        return {"from": value} if isinstance(value, str) else value


# Columns of a utility's plain files: who, when, and energies; net is positive when the home takes.
POINT, TIME = "usage_point", "interval_start"
ENERGIES = ("import_wh", "export_wh", "net_wh")


class UtilityColumns(Part):
    """[utility.columns]: what isn't named keeps its name."""

    usage_point: str = POINT
    interval_start: str = TIME
    import_wh: EnergySource = EnergySource.model_validate("import_wh")
    export_wh: EnergySource = EnergySource.model_validate("export_wh")
    net_wh: EnergySource = EnergySource.model_validate("net_wh")


class Utility(TimedRows):
    """[utility] of lake.toml: plain files (CSV, Parquet) of the utility's meters; ESPI files need none of it."""

    columns: UtilityColumns = UtilityColumns()


def known_zone(zone: str) -> str:
    """Return the zone; raises ValueError if there is none of that name."""
    if offset_min(zone) is None and zone not in contract.time_zones():
        raise ValueError(f"'{zone}' is neither an IANA zone nor an offset like -07:00")
    return zone


def offset_min(zone: str) -> int | None:
    """Return a fixed offset like +05:30 in minutes, or None for a named zone."""
    sign, hours, colon, minutes = zone[:1], zone[1:3], zone[3:4], zone[4:]
    digits = hours + minutes
    if (
        len(zone) != 6
        or sign not in ("+", "-")
        or colon != ":"
        or not (digits.isascii() and digits.isdigit())
    ):
        return None
    return (-1 if sign == "-" else 1) * (int(hours) * 60 + int(minutes))


def describe_utility(how: Utility) -> list[str]:
    """Return one line for each column of plain utility files that lake.toml fills."""
    lines: list[str] = []
    if how == Utility():
        return lines
    columns = how.columns
    end = f", the interval's end, {how.minutes} min after its start" if how.labelled == "end" else ""
    lines.append(f"utility.{POINT}: from '{columns.usage_point}'")
    lines.append(f"utility.{TIME}: from '{columns.interval_start}', time of {how.zone}{end}")
    for name in ENERGIES:
        source: EnergySource = getattr(columns, name)
        if name in columns.model_fields_set:
            turned = ", sign turned" if source.sign < 0 else ""
            lines.append(f"utility.{name}: from '{source.source}' in {source.unit}{turned}")
    return lines
