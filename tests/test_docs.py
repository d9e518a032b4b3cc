"""Docs that can't drift: the README's tables and examples are those of the code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

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


def test_every_command_of_the_readme_exists() -> None:
    from pipeline.commands.cli import app

    known = {str(name) for name in app}
    for command in re.findall(r"`nightclamp (\w+)", README):
        assert command in known


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
