"""What every section of settings.toml is: keys of a finite range, each with the reason of its limits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, model_validator

LONGEST_DAYS = 36_500  # no span of a fleet is longer, and dates end somewhere
MOST_HOMES = 100_000_000  # no fleet has more


class Section(BaseModel):
    """A table of settings.toml; a key it does not know is an error, and so is true or false for a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, protected_namespaces=())

    @model_validator(mode="before")
    @classmethod
    def _no_flag_for_a_number(cls, values: Any) -> Any:
        if isinstance(values, Mapping):
            for name, value in values.items():
                field = cls.model_fields.get(name)
                if field is not None and isinstance(value, bool) and field.annotation is not bool:
                    raise ValueError(f"{name} = {str(value).lower()} is not {spell_range(cls, name)}")
        return values


def between(limits: tuple[float, float], unit: str = "", why: str = "") -> Any:
    """Return a number's field: from the lower to the upper limit, both allowed, in words `unit`; `why` no further."""
    return Field(ge=limits[0], le=limits[1], description=why, json_schema_extra={"unit": unit})


def above(limits: tuple[float, float], unit: str = "", why: str = "") -> Any:
    """Return a number's field like `between`, where the lower limit makes no sense itself, as a divisor of 0."""
    return Field(gt=limits[0], le=limits[1], description=why, json_schema_extra={"unit": unit})


def share(why: str = "a share of a whole", *, high: float = 1.0) -> Any:
    """Return the field of a share from nothing to `high`."""
    return between((0.0, high), "", why)


def some_share(why: str = "a share of a whole; with none, nothing is ever judged") -> Any:
    """Return the field of a share that is more than nothing."""
    return above((0.0, 1.0), "", why)


def chance(why: str = "its log odds must be finite") -> Any:
    """Return the field of a likelihood that is neither impossible nor sure."""
    return between((1e-9, 1 - 1e-9), "", why)


def span_days(low: int = 0, *, high: int = LONGEST_DAYS, why: str = "no fleet's story is longer") -> Any:
    """Return the field of a span of whole days."""
    return between((low, high), "days", why)


def spread(
    why: str = "divides, so it is more than nothing; log odds further apart than 10 are all sure",
) -> Any:
    """Return the field of a standard deviation."""
    return between((1e-6, 10.0), "", why)


def spell_range(section: type[BaseModel], name: str) -> str:
    """Return what a key of the section may be, in words: "a whole number from 1 to 3650 days"."""
    field = section.model_fields[name]
    limits: dict[str, float] = {}
    for rule in field.metadata:
        limits |= {key: getattr(rule, key) for key in ("ge", "gt", "le", "lt") if hasattr(rule, key)}
    extra = field.json_schema_extra
    unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
    kinds: dict[Any, str] = {int: "a whole number", float: "a number", bool: "true or false", str: "a text"}
    what = kinds.get(field.annotation, "")
    if not what:
        what = field.description or "of its type"
    if "gt" in limits:
        what += f" above {limits['gt']:.10g} and up to {limits['le']:.10g}"
    elif "ge" in limits:
        what += f" from {limits['ge']:.10g} to {limits['le']:.10g}"
    return f"{what} {unit}".strip()
