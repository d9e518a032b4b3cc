"""Docs that can't drift: the README's tables and examples are those of the code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from cyclopts import ArgumentCollection

from pipeline.commands.app import app
from pipeline.core import contract
from pipeline.faults.catalogue import CATALOGUE
from pipeline.ingest.lake_config import describe, read_lake_config

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_contract_in_the_readme_is_the_contract_in_the_code() -> None:
    assert contract.markdown().strip() in README


def test_both_worked_mappings_are_read_as_the_readme_says() -> None:
    examples = re.findall(r"```toml\n(.*?)```", README, flags=re.DOTALL)
    assert len(examples) == 2
    for text in examples:
        told = describe(read_lake_config(text, "README.md"))
        assert any("l1_w" in line for line in told)


def test_every_fault_stands_in_the_readme_with_who_fixes_it() -> None:
    for name, fault in CATALOGUE.items():
        assert re.search(rf"^\| {name} \|.*\| {fault.remedy.fix_by} \|$", README, flags=re.MULTILINE), name


# `nightclamp X ...` in a line of text, or a line of its own in a block of commands.
SPANS = [
    (inline or line).split(maxsplit=1)
    for inline, line in re.findall(
        r"`nightclamp (\w[^`]*)`|^(?:\S*/)?nightclamp (\w[^\n]*)$", f"{README}\n{DEVELOPERS}", re.MULTILINE
    )
]


def told_of(command: str) -> list[str]:
    """What documents write behind the command, each time."""
    return [words[1] for words in SPANS if words[0] == command and len(words) > 1]


def arguments(command: str) -> ArgumentCollection:
    return app[command].assemble_argument_collection()


def options(command: str) -> dict[str, object]:
    """The command's options and their defaults; the opposites of flags are not told."""
    return {
        f"--{argument.field_info.name.replace('_', '-')}": argument.field_info.default
        for argument in arguments(command)
        if argument.index is None
    }


COMMANDS = [name for name in app if not name.startswith("-")]


def test_every_command_of_the_documents_exists_and_every_command_is_in_the_table_of_the_readme() -> None:
    assert {words[0] for words in SPANS} == set(COMMANDS)
    assert set(re.findall(r"^\| `nightclamp (\w+)", README, re.MULTILINE)) == set(COMMANDS)


def test_every_option_of_the_documents_exists_with_the_default_that_they_tell() -> None:
    for command in COMMANDS:
        known = options(command)
        for words in told_of(command):
            assert set(re.findall(r"--[a-z][a-z-]*", words)) <= set(known), f"{command} {words}"
            for option, default in re.findall(r"\[(--[a-z-]+) ([a-z0-9.]+)\]", words):
                assert str(known[option]) == default, f"{command} {words}"


def test_every_argument_and_option_of_the_commands_is_in_the_documents() -> None:
    missing = {}
    for command in COMMANDS:
        told = set(re.findall(r"--[a-z][a-z-]*|\b[A-Z]+\b", " ".join(told_of(command))))
        takes = {
            a.field_info.name.upper().removesuffix("S") for a in arguments(command) if a.index is not None
        }
        # --settings is any command's, and told once
        missing[command] = sorted((takes | set(options(command))) - {"--settings"} - told)
    assert "--settings FILE" in README
    assert {command: names for command, names in missing.items() if names} == {}


def test_the_two_commands_are_the_ones_of_the_readme() -> None:
    assert '.venv/bin/pip install -q -e ".[dev]" && .venv/bin/nightclamp nightly sample_lake' in README
    assert "\n.venv/bin/pytest\n" in README


def test_every_package_has_a_place_in_the_map() -> None:
    for path in (ROOT / "pipeline").glob("*/__init__.py"):
        assert re.search(rf"^\|.*`{path.parent.name}`", DEVELOPERS, flags=re.MULTILINE), path.parent.name


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_file_that_a_document_names_exists(name: str) -> None:
    """Paths from the root, or from pipeline/ as contributors say them."""
    text = (ROOT / name).read_text(encoding="utf-8")
    named = set(re.findall(r"\b((?:[a-z_]+/)+[a-z_]+\.(?:py|sql|toml|yaml))\b", text))
    here = {path for path in named if (ROOT / path).exists() or (ROOT / "pipeline" / path).exists()}
    assert named - here == set()
    assert here
