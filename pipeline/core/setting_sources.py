"""Where settings come from beside the shipped file: variables of the environment, and a file of the user's own."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_origin

from pydantic import BaseModel

from pipeline.core.errors import InputError
from pipeline.core.setting_messages import SEE, unknown_setting, variable
from pipeline.core.toml_reader import read_text, read_toml

_PREFIX, _NESTED = "NIGHTCLAMP_", "__"
Values = dict[str, dict[str, Any]]
Sections = Mapping[str, type[BaseModel]]


def read_environment(sections: Sections, environment: Mapping[str, str]) -> tuple[Values, dict[str, str]]:
    """Return the values that variables NIGHTCLAMP_SECTION__KEY set, in any case, and the variable of each.

    Numbers and flags stay texts; lists and tables are read as JSON. The second value has the variable's name as it
    stands in the environment by the name that it is documented under.

    Raises
    ------
    InputError
        A variable names no setting, or one that another names too; or its value is no text, or not the JSON it has
        to be.
    """
    values: Values = {}
    named: dict[str, str] = {}
    for name, text in sorted(environment.items()):
        if not name.upper().startswith(_PREFIX):
            continue
        section, _, key = name.upper().removeprefix(_PREFIX).lower().partition(_NESTED)
        hint = unknown_setting(sections, section, key, is_variable=True)
        if hint is not None:
            raise InputError(f"environment: {name} is not a setting; {hint}")
        full = variable(section, key)
        if full in named:
            raise InputError(f"environment: {named[full]} and {name} are one setting; keep one")
        named[full] = name
        if any("\ud800" <= sign <= "\udfff" for sign in text):
            raise InputError(f"{name}: its value is not UTF-8 text; {SEE}")
        values.setdefault(section, {})[key] = _parsed(
            name, text, sections[section].model_fields[key].annotation
        )
    return values, named


def read_own_file(sections: Sections, path: Path) -> dict[str, Any]:
    """Return what the TOML file at `path` sets.

    Raises
    ------
    InputError
        It can't be read, is not TOML, or names a setting that there is not.
    """
    says = read_toml(read_text(path, path, "a settings file (--settings)"), path)
    for section, values in says.items():
        for key in values if isinstance(values, dict) and values else ("",):
            hint = unknown_setting(sections, section, key, is_variable=False)
            if hint is not None:
                raise InputError(f"{path}: {f'{section}.{key}'.strip('.')} is not a setting; {hint}")
    return says


def laid_over(under: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of `under` with those of `over` in their place, tables within tables key by key."""
    both = dict(under)
    for key, value in over.items():
        before = both.get(key)
        if isinstance(before, Mapping) and isinstance(value, Mapping):
            value = laid_over(before, value)
        both[key] = value
    return both


def _parsed(name: str, text: str, annotation: Any) -> Any:
    kind = get_origin(annotation)
    if kind not in (list, dict):
        return text
    try:
        value = json.loads(text)
    except (ValueError, RecursionError) as error:
        wanted = '["mon", "tue"] or [1.0, 2.0]' if kind is list else '{"word": 0.5}'
        raise InputError(
            f"{name}: is not JSON such as {wanted}: {' '.join(str(error).split())[:200]}"
        ) from error
    return value
