"""The product's public functions, each driven by one kind of hostile case; what gets out of it is a finding."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from drive_commands import drive_check, drive_night, drive_tuned
from drive_inputs import (
    drive_day,
    drive_file,
    drive_mapping,
    drive_registers,
    drive_settings,
    drive_texts,
    drive_trucks,
)
from hostile_intervals import interval_file, lake_toml
from hostile_registers import registers, trucks_file
from hostile_words import floats, nasty, texts, values, wholes
from hypothesis import strategies as st

from pipeline.core import contract
from pipeline.core.settings import DEFAULT_FILE
from pipeline.dispatch import drive_times, trucks


@dataclass(frozen=True)
class Target:
    """What is driven, by which cases, and their share of a campaign."""

    name: str
    share: float
    cases: st.SearchStrategy[Any]
    drive: Callable[[Any, Path], bool]  # whether the case was taken for good, not refused whole


_NUMBER_OF_ROWS = st.shared(st.integers(0, 4), key="rows")
_mapping_frame = st.tuples(
    lake_toml(),
    st.lists(
        st.one_of(
            st.sampled_from([*contract.Interval.column_names(), "ch", "val", "kwh", "read_at", "meter"]),
            nasty,
        ),
        min_size=1,
        max_size=8,
    ),
    _NUMBER_OF_ROWS.flatmap(lambda rows: st.lists(texts, min_size=rows, max_size=rows)),
)


@st.composite
def _settings_text(draw: st.DrawFn, spoilt: int = 1) -> str:
    shipped = _shipped()
    lines: list[str] = []
    for _ in range(draw(st.integers(1, 3))):
        section = draw(st.sampled_from(sorted(shipped)))
        key = draw(st.sampled_from(sorted(shipped[section])))
        near = shipped[section][key]
        value = draw(st.one_of(values, floats.map(repr), wholes.map(str)))
        if isinstance(near, int | float) and draw(st.integers(0, 4)):
            value = repr(type(near)(near * draw(st.sampled_from([-1, 0, 0.1, 2, 10, 1000]))))
        lines.append(f"{section}.{key} = {value}")
    text = "\n".join(lines)
    return (
        text
        if not spoilt or draw(st.integers(0, 6))
        else draw(st.one_of(texts, texts.map(lambda t: t + text), st.just("[" * 5000)))
    )


@cache
def _shipped() -> dict[str, dict[str, Any]]:
    return tomllib.loads(DEFAULT_FILE.read_text())


_file_names = st.lists(
    st.sampled_from(
        ["0", "a*", "a1", "[ab]", "q'x", 'd"x', "=1", "<b>", "\u202ex", "x" * 100, "a b", "{a,b}", "%s", "b?"]
    ),
    min_size=3,
    max_size=3,
    unique=True,
)
_words = st.fixed_dictionaries(
    {}, optional=dict.fromkeys(("area", "crew_id", "crew_name", "note", "visit_id"), texts)
)
TARGETS = (
    Target("mapping", 0.25, _mapping_frame, drive_mapping),
    Target("tuned", 0.002, _settings_text(0), drive_tuned),
    Target("settings", 0.12, _settings_text(), drive_settings),
    Target("registers", 0.14, registers, drive_registers),
    Target("file", 0.2, interval_file(), drive_file),
    Target(
        "trucks", 0.05, st.tuples(trucks_file(trucks.COLUMNS), trucks_file(drive_times.COLUMNS)), drive_trucks
    ),
    Target("texts", 0.174, st.lists(texts, min_size=1, max_size=6), drive_texts),
    Target(
        "day",
        0.06,
        st.tuples(
            st.lists(interval_file(), min_size=1, max_size=3),
            st.one_of(st.just(""), st.just(""), lake_toml()),
            _file_names,
        ),
        drive_day,
    ),
    Target(
        "check",
        0.003,
        st.tuples(registers, st.lists(interval_file(), max_size=2), st.one_of(st.just(""), lake_toml())),
        drive_check,
    ),
    Target(
        "night",
        0.001,
        st.tuples(st.lists(texts, min_size=1, max_size=4), _words, st.lists(interval_file(), max_size=2)),
        drive_night,
    ),
)
