"""Every setting has finite limits: at them, beyond them and with whatever else, it is taken or refused in one line."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import get_origin

import pytest

from pipeline.core.errors import InputError
from pipeline.core.setting_messages import variable
from pipeline.core.settings import SECTIONS, load_settings

SHIPPED = load_settings()
KEYS = [(section, key) for section, kind in SECTIONS.items() for key in kind.model_fields]
NUMBERS = [(s, k) for s, k in KEYS if SECTIONS[s].model_fields[k].annotation in (int, float)]
JUNK = (
    "nan", "inf", "-inf", "-1", "0", "1e400", "1e308", "9" * 30, "''", "'often'", "true", "[]", "[1, 2]", "{}",
    "{ a = 1 }", "{ a = { b = [1] } }", "2025-06-01", "08:00:00", "[[]]", "'\\u0000'", "'\\u202e'",
    "'" + "x" * 2000 + "'",
)  # fmt: skip
VARIABLE_JUNK = (
    "", "nan", "inf", "-1", "1e400", "9" * 5000, "often", "true", "{", "[1", "null", "[]", "{}", "[[[]]]", '{"a": {}}',
    "[" * 100_000, "\udcff", "\u202e", "x" * 5000, "1\n2",
)  # fmt: skip


def limits(section: str, key: str) -> tuple[float, float, bool]:
    """The lowest and highest value, and whether the lowest itself is left out."""
    rules = SECTIONS[section].model_fields[key].metadata
    said = {
        name: getattr(rule, name)
        for rule in rules
        for name in ("ge", "gt", "le", "lt")
        if hasattr(rule, name)
    }
    low, high = said.get("ge", said.get("gt")), said.get("le", said.get("lt"))
    assert low is not None, f"{section}.{key} has no lower limit"
    assert high is not None, f"{section}.{key} has no upper limit"
    return low, high, "gt" in said


def said(path: Path | None = None) -> str | None:
    """What is complained of, None where the settings are taken."""
    try:
        load_settings(path)
    except InputError as error:
        told = str(error)
    else:
        return None
    assert "\n" not in told
    assert len(told) < 600
    return told


def written(path: Path, section: str, key: str, value: str) -> Path:
    path.write_text(f"[{section}]\n{key} = {value}\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(("section", "key"), NUMBERS)
def test_a_number_is_finite_on_both_sides_and_the_shipped_one_is_inside(section: str, key: str) -> None:
    low, high, is_open = limits(section, key)
    shipped = getattr(getattr(SHIPPED, section), key)
    assert math.isfinite(low)
    assert math.isfinite(high)
    assert low < shipped <= high or (shipped == low and not is_open)


def test_texts_lists_and_tables_are_bounded_too() -> None:
    for section, key in set(KEYS) - set(NUMBERS):
        field = SECTIONS[section].model_fields[key]
        kind = field.annotation
        if kind in (bool,) or str(get_origin(kind)) == "typing.Literal":
            continue
        assert field.description, f"{section}.{key} doesn't say what it may be"
        long = {str: "x" * 5000, list: [0.5] * 5000, dict: {f"w{n}": 0.0 for n in range(5000)}}[
            get_origin(kind) or kind
        ]
        with pytest.raises(ValueError, match=key):
            SECTIONS[section].model_validate(getattr(SHIPPED, section).model_dump() | {key: long})


@pytest.mark.parametrize(("section", "key"), NUMBERS)
def test_one_beyond_a_limit_is_told_with_the_range(tmp_path: Path, section: str, key: str) -> None:
    low, high, is_open = limits(section, key)
    step = 1 if isinstance(getattr(getattr(SHIPPED, section), key), int) else 1e-3
    for value in (low if is_open else low - step, high * (1 + 1e-9) + step):
        value = int(value) if step == 1 else value
        told = said(written(tmp_path / "own.toml", section, key, repr(value)))
        assert told is not None
        assert told.startswith(f"{tmp_path / 'own.toml'}: setting {section}.{key}: ")
        assert f" to {high:.10g}" in told
        assert f"{low:.10g}" in told


@pytest.mark.parametrize("is_high", [False, True])
@pytest.mark.parametrize(("section", "key"), NUMBERS)
def test_a_limit_itself_is_taken_but_for_what_another_key_says(
    tmp_path: Path, section: str, key: str, is_high: bool
) -> None:
    low, high, is_open = limits(section, key)
    value = high if is_high else low + (1e-9 if is_open else 0)
    told = said(written(tmp_path / "own.toml", section, key, repr(value)))
    assert told is None or told.startswith(f"{tmp_path / 'own.toml'}: setting {section}: "), told


@pytest.mark.parametrize(("section", "key"), KEYS)
def test_whatever_a_file_or_the_environment_says_is_taken_or_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, section: str, key: str
) -> None:
    refused = 0
    for value in JUNK:
        refused += said(written(tmp_path / "own.toml", section, key, value)) is not None
    for value in VARIABLE_JUNK:
        monkeypatch.setenv(variable(section, key), value)
        told = said()
        assert told is None or told.startswith(variable(section, key))
        refused += told is not None
    assert refused > len(JUNK + VARIABLE_JUNK) / 2


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[verdict]\nsound = 0.6", "verdict: sound = 0.6 is above suspect = 0.5; a home can't be both"),
        ("[object_store]\nfirst_wait_s = 20", "object_store: first_wait_s = 20 is above longest_wait_s = 15"),
        ("[ranking]\nleast_drive_min = 61", "ranking: least_drive_min = 61 is above most_drive_min = 60"),
        ("[visits]\nproved_below = 0.6", "visits: proved_below = 0.6 is above disproved_from = 0.5"),
        ("[own_fleet]\nmin_homes = 2000", "own_fleet: min_homes = 2000 is above most_homes = 1500"),
        ("[own_fleet]\ntangent_low = 1", "own_fleet: tangent_low = 1 is above tangent_high = 0.5"),
        ("[own_fleet]\ntemper_share = 0.8", "temper_share = 0.8 and held_out_share = 0.2 leave no home to learn from"),
        ("[dispatch]\nstart = [91, 0]", "dispatch.start: the list [91, 0] is not [latitude, longitude]"),
        ("[dispatch]\nstart_time = '8'", "dispatch.start_time: '8' is not a time of day, HH:MM, such as 08:00"),
        ("[orders]\npaper = 'a5'", "orders.paper: 'a5' is not \"letter\" or \"a4\""),
        ("[orders.likelihood_words]\nunlikely = 0.1", "likelihood_words: a table have no word for a likelihood of 0"),
        ("[engine]\nmemory_limit = '1MB'", "'1MB' is not an amount of memory from 200MB to 64TB"),
        ("[engine]\nthreads = 64\nworkers = 64", "memory_limit = 4GB is too little for 64 workers of 64 threads"),
        ("[engine]\nthreads = true", "engine: threads = true is not a whole number from 1 to 256 threads"),
        ("[alarm]\nstale_days = 2.5", "2.5 is not a whole number from 1 to 3650 days; see the shipped settings.toml"),
        ("alarm = 3", "setting alarm: 3 is not a table of settings"),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_says_why(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    assert told in (said(tmp_path / "own.toml") or "")


def test_a_value_of_the_environment_is_told_by_its_variable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTCLAMP_ALARM__STALE_DAYS", "0")
    told = "NIGHTCLAMP_ALARM__STALE_DAYS: '0' is not from 1 to 3650 days; see the shipped settings.toml"
    assert said() == told
    monkeypatch.setenv("NIGHTCLAMP_ALARM__STALE_DAYS", "5")
    monkeypatch.setenv("NIGHTCLAMP_VERDICT__SOUND", "0.7")
    assert (said() or "").startswith("NIGHTCLAMP_VERDICT__SOUND: sound = 0.7 is above suspect")


def test_lists_and_tables_of_the_environment_are_json(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTCLAMP_DISPATCH__WORK_DAYS", json.dumps(["sat"]))
    monkeypatch.setenv("NIGHTCLAMP_ORDERS__LIKELIHOOD_WORDS", json.dumps({"likely": 0.6}))
    assert load_settings().dispatch.work_days == ["sat"]
    assert load_settings().orders.likelihood_words["likely"] == 0.6
    assert load_settings().orders.likelihood_words["possible"] == 0.2
    monkeypatch.setenv("NIGHTCLAMP_DISPATCH__WORK_DAYS", "sat")
    assert (said() or "").startswith('NIGHTCLAMP_DISPATCH__WORK_DAYS: is not JSON such as ["mon", "tue"]')


def wrong_names() -> Iterator[tuple[str, str]]:
    yield "NIGHTCLAMP_", "see the shipped settings.toml"
    yield "NIGHTCLAMP___", "see the shipped settings.toml"
    yield "NIGHTCLAMP_ALARM", "write section and key, as NIGHTCLAMP_ALARM__COMPARE_DAYS"
    yield "NIGHTCLAMP_ALARM__", "write section and key, as NIGHTCLAMP_ALARM__COMPARE_DAYS"
    yield "NIGHTCLAMP_ALARM_STALE_DAYS", "did you mean NIGHTCLAMP_ALARM__STALE_DAYS?"
    yield "NIGHTCLAMP_STALE_DAYS", "did you mean NIGHTCLAMP_ALARM__STALE_DAYS?"
    yield "NIGHTCLAMP_ALARM__STALE_DAY", "did you mean NIGHTCLAMP_ALARM__STALE_DAYS?"
    yield "NIGHTCLAMP_ALARM__STALE_DAYS__", "did you mean NIGHTCLAMP_ALARM__STALE_DAYS?"
    yield "NIGHTCLAMP_ALARM__STALE_DAYS__A", "did you mean NIGHTCLAMP_ALARM__STALE_DAYS?"
    yield "NIGHTCLAMP_ALARM__STALE__DAYS", "did you mean NIGHTCLAMP_ALARM__STALE_DAYS?"
    yield "NIGHTCLAMP_A__B__C", ""
    yield "NIGHTCLAMP_LAKE", "write section and key, as NIGHTCLAMP_LAKE__LEG_HEADROOM"
    yield "NightClamp_Alarm_Stale_Days", "did you mean NIGHTCLAMP_ALARM__STALE_DAYS?"
    yield "NIGHTCLAMP_\udcff", "see the shipped settings.toml"


@pytest.mark.parametrize(("name", "hint"), list(wrong_names()))
def test_a_variable_that_names_nothing_is_refused(
    monkeypatch: pytest.MonkeyPatch, name: str, hint: str
) -> None:
    monkeypatch.setenv(name, "3")
    told = said() or ""
    assert "is not a setting; " in told
    assert told.endswith(hint)


def test_a_variable_may_be_in_small_letters_but_not_there_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("nightclamp_alarm__stale_days", "4")
    assert load_settings().alarm.stale_days == 4
    monkeypatch.setenv("NIGHTCLAMP_ALARM__STALE_DAYS", "5")
    assert "are one setting; keep one" in (said() or "")
