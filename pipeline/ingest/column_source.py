"""Where one column of the intervals comes from: a column, parts of a stamp, the file's name, a constant, or nowhere."""

from __future__ import annotations

from typing import Any, Literal

import polars as pl
from pydantic import Field, field_validator, model_validator

from pipeline.core import contract
from pipeline.ingest.row_config import ENERGY_UNITS, UNITS, Part

# A production that stands for each kW of the array, as simulations give it.
A_KW_OF_RATING = " a kW of rating"
STAMP_PARTS = ("year", "month", "day", "hour", "minute")
# The ways that a kind of column may come, by the key that says so.
_WAYS: dict[str, tuple[str, ...]] = {
    "site_id": ("from", "always", "file_name"),
    "interval_start": ("from", "month"),
    "measure": ("from", "always", "none"),
}


class Source(Part):
    """Where one contract column comes from. A plain text stands for `{ from = text }`."""

    source: str = Field(default="", alias="from")
    unit: str | None = None
    sign: Literal[1, -1] = 1
    volts: str | float | None = None
    power_factor: str | float = 1.0
    factor: float = Field(default=1.0, allow_inf_nan=False)
    offset: float = Field(default=0.0, allow_inf_nan=False)
    always: float | str | None = None
    none: Literal[True] | None = None
    file_name: str | None = None
    year: str | int | None = None
    month: str | int | None = None
    day: str | int | None = None
    hour: str | int | None = None
    minute: str | int | None = None

    @model_validator(mode="before")
    @classmethod
    def _plain_name(cls, value: Any) -> Any:
        return {"from": value} if isinstance(value, str) else value

    @field_validator("factor")
    @classmethod
    def _keeps_the_value(cls, factor: float) -> float:
        if factor == 0:
            raise ValueError("0 would lose the values; use always = 0 for a constant")
        return factor

    @field_validator("file_name")
    @classmethod
    def _has_one_group(cls, pattern: str | None) -> str | None:
        if pattern is None:
            return None
        try:
            groups = pl.select(pl.lit("").str.extract_groups(whole(pattern))).to_series().struct.fields
        except pl.exceptions.PolarsError as error:
            raise ValueError(f"'{pattern}' is no regular expression ({_first_line(error)})") from error
        if len(groups) != 1:
            raise ValueError(
                f"'{pattern}' needs one group in brackets, the home's id, as in meter_(.+)\\.csv"
            )
        return pattern

    @property
    def is_rated(self) -> bool:
        """Whether the values stand for each kW of the home's rating."""
        return (self.unit or "").endswith(A_KW_OF_RATING)

    @property
    def plain_unit(self) -> str | None:
        """The unit without the rating."""
        return None if self.unit is None else self.unit.removesuffix(A_KW_OF_RATING)

    @property
    def parts(self) -> dict[str, str | int]:
        """The parts of a stamp that are said, by name."""
        said = {name: getattr(self, name) for name in STAMP_PARTS}
        return {name: part for name, part in said.items() if part is not None}

    def columns(self) -> set[str]:
        """Return the columns of a source file that it reads."""
        parts = (self.source, self.volts, self.power_factor, *self.parts.values())
        return {part for part in parts if isinstance(part, str) and part}

    def fault(self, name: str, minutes: int | None) -> str | None:
        """Return what is wrong with it as the source of the contract's column `name`, or None."""
        column = contract.Interval.columns()[name]
        ways = _WAYS.get(name, _WAYS["measure"])
        said = [way for way in ("from", "always", "none", "file_name", "month") if self._says(way)]
        if len(said) != 1 or said[0] not in ways:
            allowed = ", ".join("month, day (parts)" if way == "month" else way for way in ways)
            return f"needs one of {allowed}"
        if self.parts and said != ["month"]:
            return "parts of a stamp (year, month, day, hour, minute) go without from"
        if said == ["month"] and self.day is None:
            return "a stamp in parts needs month and day"
        if name in ("site_id", "interval_start"):
            values = ("unit", "sign", "volts", "power_factor", "factor", "offset")
            odd = [key for key in values if key in self.model_fields_set]
            return f"{odd[0]} is for measures" if odd else None
        if isinstance(self.always, str):
            return f"always '{self.always}' is not a number"
        units = UNITS.get(str(contract.meta(column)["unit"]), {})
        allowed_units = [*units, *(unit + A_KW_OF_RATING for unit in units if name == "pv_w" and unit != "A")]
        if self.unit is not None and self.unit not in allowed_units:
            return f"unit '{self.unit}' unknown; allowed: {', '.join(allowed_units)}"
        if self.plain_unit in ENERGY_UNITS and minutes is None:
            return f"'{self.unit}' needs minutes, the length of an interval"
        return "unit A needs volts, a number or a column" if self.unit == "A" and self.volts is None else None

    def _says(self, way: str) -> bool:
        if way == "month":
            return self.month is not None or (bool(self.parts) and not self.source)
        return bool(self.source) if way == "from" else getattr(self, way) is not None


def whole(pattern: str) -> str:
    """Return the pattern so that it must be a whole file name."""
    return f"^(?:{pattern})$"


def _first_line(error: BaseException) -> str:
    return " ".join(str(error).split())[:100]
