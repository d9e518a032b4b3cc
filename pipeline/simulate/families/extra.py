"""The packages of the proof extra, looked for only when a fleet is built that needs them."""

from __future__ import annotations

from importlib import import_module, metadata
from pathlib import Path
from typing import Any

from pipeline.core.errors import InputError

MISSING = "nightclamp proof needs the proof extra: pip install nightclamp[proof]"


def need(module: str) -> Any:
    """Return this module of an optional package.

    Raises
    ------
    InputError
        The package is not installed.
    """
    try:
        return import_module(module)
    except ImportError as error:
        raise InputError(MISSING) from error


def need_file(package: str, file: str) -> Path:
    """Return the path of a file of an optional package, found without importing it.

    Raises
    ------
    InputError
        The package is not installed.
    """
    try:
        return Path(str(metadata.distribution(package).locate_file(file)))
    except metadata.PackageNotFoundError as error:
        raise InputError(MISSING) from error
