"""What is wrong with a setting, in one line: which name was meant, or which values are allowed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel

from pipeline.core.setting_sections.section import spell_range

_SHOWN = 40  # letters of a wrong value that are shown
SEE = "see the shipped settings.toml"


def unknown_setting(
    sections: Mapping[str, type[BaseModel]], section: str, key: str, *, is_variable: bool
) -> str | None:
    """Return a hint on the setting most like a section and key that there aren't; None if they are there.

    Parameters
    ----------
    sections
        The sections, by name.
    section, key
        As the user wrote them; no key ("") where a file names the section alone.
    is_variable
        Whether the hint is a name of the environment.
    """
    keys = {name: tuple(kind.model_fields) for name, kind in sections.items()}
    if section in keys and (key in keys[section] or not (key or is_variable)):
        return None
    here = get_close_matches(key, keys.get(section, ()), n=1)
    elsewhere = [name for name in keys if key in keys[name]]
    section_like = get_close_matches(section, keys, n=1)
    everywhere = {one: name for name in keys for one in keys[name]}
    joined = {f"{name}_{one}": (name, one) for name in keys for one in keys[name]}
    like: tuple[str, str] | None = None
    if section in keys and not key:
        like = section, ""
    elif here:
        like = section, here[0]
    elif is_variable and not key and (close := get_close_matches(section, joined, n=1, cutoff=0.8)):
        like = joined[close[0]]  # a single underscore between section and key
    elif section not in keys and section_like:
        best = get_close_matches(key, keys[section_like[0]], n=1)
        like = section_like[0], best[0] if best else ""
    elif elsewhere:
        like = elsewhere[0], key
    elif close := get_close_matches(key or section, everywhere, n=1):
        like = everywhere[close[0]], close[0]
    if like is None:
        return SEE
    if is_variable:
        name = variable(like[0], like[1] or keys[like[0]][0])
        return f"did you mean {name}?" if like[1] else f"write section and key, as {name}"
    return f"did you mean {f'[{like[0]}] {like[1]}'.strip()}?"


def variable(section: str, key: str) -> str:
    """Return what a setting is called in the environment."""
    return f"NIGHTCLAMP_{section}__{key}".upper()


def wrong_value(kind: type[BaseModel], key: str, error: Mapping[str, Any]) -> str:
    """Return why a value of the section `kind` is not allowed, with those that are; `error` is pydantic's."""
    value, told = error["input"], error["type"]
    if told == "value_error":
        message = str(error["msg"]).removeprefix("Value error, ")
        return message if not key else f"{_shown(value)} {message}"
    if not key:
        return f"{_shown(value)} is not a table of settings"
    if told.startswith(("greater_than", "less_than")) and kind.model_fields[key].annotation in (int, float):
        return f"{_shown(value)} is not {spell_range(kind, key).partition('number ')[2]}"
    return f"{_shown(value)} is not {_allowed(kind, key)}"


def _allowed(kind: type[BaseModel], key: str) -> str:
    field = kind.model_fields[key]
    if field.annotation in (int, float, bool):
        return spell_range(kind, key)
    return field.description or f"one of {', '.join(str(value) for value in get_args(field.annotation))}"


def _shown(value: object) -> str:
    text = f"'{value}'" if isinstance(value, str) else _written(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def _written(value: object) -> str:
    """Return a value as TOML writes it, as nearly as a message needs."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and abs(value) >= 10**_SHOWN:
        return f"a whole number of more than {_SHOWN} digits"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, Sequence):
        return f"the list [{', '.join(_shown(one) for one in value[:3])}{', ...' if len(value) > 3 else ''}]"
    return str(value)
