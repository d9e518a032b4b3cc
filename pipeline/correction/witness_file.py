"""Witnesses as a file, so that rows corrected on one night and on the next are corrected by the same ones."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.core.atomic_files import write_bytes
from pipeline.correction.meter_leg import MeterError
from pipeline.correction.other_leg import Pairs
from pipeline.correction.reading_facts import ReadingFacts
from pipeline.correction.unseen import Witnesses

DIGITS = 6  # significant; what is below changes nothing that is read


def write_witnesses(path: Path, witnesses: Witnesses, told: Mapping[str, Any]) -> None:
    """Write the witnesses, and beside them `told`, what they were found by."""
    text = json.dumps({"told": dict(told), "witnesses": _plain(witnesses)}, sort_keys=True)
    if not (path.is_file() and path.read_text(encoding="utf-8") == text):
        write_bytes(path, text.encode())


def read_witnesses(path: Path) -> tuple[Witnesses, dict[str, Any]] | None:
    """Return the witnesses of a file and what they were found by; None where there is none that can be read."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return _from_plain(document["witnesses"]), dict(document["told"])
    except (OSError, ValueError, LookupError, TypeError):
        return None


def rounded(witnesses: Witnesses) -> Witnesses:
    """Return the witnesses as a file would give them back."""
    return _from_plain(_plain(witnesses))


def _plain(witnesses: Witnesses) -> dict[str, Any]:
    return {
        "meter": _round(asdict(witnesses.meter)),
        "by_home": [[*key, _pairs(pairs)] for key, pairs in sorted(witnesses.by_home.items())],
        "by_service": {key: _pairs(pairs) for key, pairs in sorted(witnesses.by_service.items())},
        "production_factor": {key: list(each) for key, each in sorted(witnesses.production_factor.items())},
        "facts": {key: _round(asdict(each)) for key, each in sorted(witnesses.facts.items())},
    }


def _from_plain(plain: Mapping[str, Any]) -> Witnesses:
    return Witnesses(
        MeterError(**plain["meter"]),
        {(site, leg): _as_pairs(pairs) for site, leg, pairs in plain["by_home"]},
        {service: _as_pairs(pairs) for service, pairs in plain["by_service"].items()},
        {site: tuple(each) for site, each in plain["production_factor"].items()},
        {site: ReadingFacts(**each) for site, each in plain["facts"].items()},
    )


def _pairs(pairs: Pairs) -> dict[str, Any]:
    values = {each.name: getattr(pairs, each.name) for each in fields(pairs)}
    plain: dict[str, Any] = _round({name: np.asarray(value).tolist() for name, value in values.items()})
    return plain


def _as_pairs(plain: Mapping[str, Any]) -> Pairs:
    values: dict[str, Any] = {
        name: np.array(value) if isinstance(value, list) else value for name, value in plain.items()
    }
    return Pairs(**values)


def _round(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _round(each) for name, each in value.items()}
    if isinstance(value, list):
        return [_round(each) for each in value]
    return float(f"{value:.{DIGITS}g}") if isinstance(value, float) else value
