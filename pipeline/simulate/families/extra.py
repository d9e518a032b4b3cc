"""The packages of the proof extra, imported only when a proof fleet is built."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from pipeline.core.errors import InputError


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
        raise InputError("nightclamp proof needs the proof extra: pip install nightclamp[proof]") from error
