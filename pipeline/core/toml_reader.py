"""Reads TOML that a user wrote; whatever is wrong with it is one line."""

from __future__ import annotations

import tomllib
from typing import Any

from pipeline.core.errors import InputError


def read_toml(text: str, where: object) -> dict[str, Any]:
    """Return what `text`, the content of the file `where`, says.

    Raises
    ------
    InputError
        Not TOML; or nested or long beyond what the reader takes.
    """
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # numbers of thousands of digits, brackets in brackets
        raise InputError(f"{where}: not valid TOML: {' '.join(str(error).split())}") from error
