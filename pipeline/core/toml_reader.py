"""Reads TOML that a user wrote; whatever is wrong with it is one line."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from pipeline.core.errors import InputError

_MOST_BYTES = 1 << 20  # what people write by hand has a few kilobytes


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
        raise InputError(f"{where}: not valid TOML: {' '.join(str(error).split())[:300]}") from error


def read_text(path: Path, where: object, what: str) -> str:
    """Return the text of the file `path`, which people call `where`; `what` it should be, as "a settings file".

    Raises
    ------
    InputError
        No file, or none that ends (a pipe, a device), too big, or no UTF-8.
    """
    try:
        if path.is_dir():
            raise InputError(f"{where}: is a folder; {what} is a TOML file")
        if path.exists() and not path.is_file():
            raise InputError(f"{where}: is a pipe or a device; {what} is a TOML file")
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
    except FileNotFoundError as error:
        link = "a link to a file that is not there" if path.is_symlink() else "no such file"
        raise InputError(f"{where}: {link}; {what} is a TOML file") from error
    except (OSError, ValueError) as error:  # a name with a NUL is a ValueError
        why = getattr(error, "strerror", None) or error
        raise InputError(f"{where}: cannot be read as {what}: {why}") from error
    if len(content) > _MOST_BYTES:
        raise InputError(f"{where}: has more than {_MOST_BYTES >> 20} MB; {what} is a few lines of TOML")
    try:
        return content.decode("utf-8-sig")  # some editors put a mark in front
    except UnicodeDecodeError as error:
        raise InputError(f"{where}: is not UTF-8 text; {what} is a TOML file") from error
