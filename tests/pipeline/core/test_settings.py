"""Every number that steers the night comes from one file, and a wrong key is said in one line."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from pipeline.core.errors import InputError
from pipeline.core.settings import DEFAULT_FILE, Settings, load_settings


def test_the_shipped_file_is_what_is_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NIGHTCLAMP_ENGINE__WORKERS")
    assert load_settings().model_dump() == tomllib.loads(DEFAULT_FILE.read_text(encoding="utf-8"))


def test_every_section_and_key_has_its_place() -> None:
    shipped = tomllib.loads(DEFAULT_FILE.read_text(encoding="utf-8"))
    wanted = {}
    for name, field in Settings.model_fields.items():
        assert isinstance(field.annotation, type)
        assert issubclass(field.annotation, BaseModel)
        wanted[name] = list(field.annotation.model_fields)

    assert {name: sorted(section) for name, section in shipped.items()} == {
        name: sorted(keys) for name, keys in wanted.items()
    }


def test_every_number_is_explained_beside_it_or_above_its_section() -> None:
    lines = DEFAULT_FILE.read_text(encoding="utf-8").splitlines()
    bare = [at for at, line in enumerate(lines) if re.match(r"\w+ = ", line) and "#" not in line]

    # a bare line may only follow one whose words speak of both
    assert [lines[at] for at in bare if "#" not in lines[at - 1]] == []


def test_a_file_of_ones_own_overrides_single_values(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("[verdict]\nsuspect = 0.7\n", encoding="utf-8")

    loaded, shipped = load_settings(own), load_settings()

    assert loaded.verdict.suspect == 0.7
    assert loaded.verdict.sound == shipped.verdict.sound
    assert loaded.day == shipped.day


def test_the_environment_overrides_the_shipped_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("NIGHTCLAMP_ENGINE__THREADS", "7")
    own = tmp_path / "own.toml"
    own.write_text("[engine]\nthreads = 3\n", encoding="utf-8")

    assert load_settings().engine.threads == 7
    assert load_settings(own).engine.threads == 3


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[verdict]\nsuspekt = 0.7\n", "verdict.suspekt"),
        ("[verdicts]\nsuspect = 0.7\n", "verdicts"),
        ("[verdict]\nsuspect = 'often'\n", "verdict.suspect"),
        ("[verdict\n", "not valid TOML"),
    ],
)
def test_what_is_wrong_is_said_in_one_line_with_its_place(tmp_path: Path, text: str, told: str) -> None:
    own = tmp_path / "own.toml"
    own.write_text(text, encoding="utf-8")

    with pytest.raises(InputError, match=re.escape(told)) as error:
        load_settings(own)
    assert "\n" not in str(error.value)
    assert str(own) in str(error.value)


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere\.toml: no such file; a settings file \(--settings\) is"):
        load_settings(tmp_path / "nowhere.toml")
    with pytest.raises(InputError, match=r"is a folder; a settings file \(--settings\) is a TOML file"):
        load_settings(tmp_path)


def test_what_is_no_file_of_text_is_said_and_nothing_waits(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(tmp_path / "gone")
    for path, told in (
        (tmp_path / "pipe", "is a pipe or a device"),
        (Path("/dev/zero"), "is a pipe or a device"),
        (tmp_path / "link", "a link to a file that is not there"),
        (tmp_path / "a\0b", "cannot be read as a settings file"),
        (tmp_path / ("x" * 300), "cannot be read as a settings file"),
    ):
        with pytest.raises(InputError, match=told):
            load_settings(path)
    for content, told in (
        (b"\xff\xfe[", "is not UTF-8 text"),
        (b"#" * (2 << 20), "has more than 1 MB"),
        (b"[verdict]\nsuspect = 0.6\nsuspect = 0.7\n", "not valid TOML"),
        (b"\0", "not valid TOML"),
        (b"a = " + b"[" * 100_000, "not valid TOML"),
    ):
        own.write_bytes(content)
        with pytest.raises(InputError, match=told):
            load_settings(own)


def test_a_mark_that_editors_put_in_front_is_no_error(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("[verdict]\nsuspect = 0.7\n", encoding="utf-8-sig")
    assert load_settings(own).verdict.suspect == 0.7


@pytest.mark.parametrize(
    ("text", "like"),
    [
        ("[ranking]\ncurency = 'EUR'\n", "[ranking] currency"),
        ("[report]\ncurrency = 'EUR'\n", "[ranking] currency"),
        ("[rankin]\ncurency = 'EUR'\n", "[ranking] currency"),
        ("currency = 'EUR'\n", "[ranking] currency"),
        ("[rankin]\n", "[ranking]"),
    ],
)
def test_an_unknown_setting_comes_with_the_nearest_one_and_its_section(
    tmp_path: Path, text: str, like: str
) -> None:
    own = tmp_path / "own.toml"
    own.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(f"is not a setting; did you mean {like}?")):
        load_settings(own)


def test_a_variable_of_the_environment_that_names_nothing_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTCLAMP_RANKING__CURENCY", "EUR")
    like = "NIGHTCLAMP_RANKING__CURENCY is not a setting; did you mean NIGHTCLAMP_RANKING__CURRENCY?"
    with pytest.raises(InputError, match=re.escape(f"environment: {like}")):
        load_settings()


def test_settings_do_not_change_under_way() -> None:
    with pytest.raises(ValueError, match="frozen"):
        load_settings().verdict.suspect = 0.1  # type: ignore[misc]


@pytest.mark.parametrize(
    "text",
    [
        "engine.threads = 0",
        "engine.threads = 2147483648",
        'engine.memory_limit = "lots"',
        "verdict.suspect = nan",
        "verdict.base_rate = 2.0",
        "ranking.kwh_value = inf",
        "hit_rate.late_days = 1000000000000000000000000000000",
        "onset.gain_sd = 0.0",
        "verdict.suspect = " + "9" * 5000,
    ],
)
def test_a_number_that_makes_no_sense_is_one_line(tmp_path: Path, text: str) -> None:
    own = tmp_path / "own.toml"
    own.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as told:
        load_settings(own)
    assert "\n" not in str(told.value)
