"""Docs that can't drift: the README's tables and examples are those of the code."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from cyclopts import ArgumentCollection

from pipeline.commands.app import app
from pipeline.core import contract_text
from pipeline.faults.catalogue import CATALOGUE
from pipeline.ingest.lake_config import read_lake_config
from pipeline.ingest.lake_words import describe

ROOT = Path(__file__).parent.parent


def read(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


README, DEVELOPERS = read("README.md"), read("DEVELOPERS.md")
COMMANDS_TABLE, LAKE, FAULTS = (
    read(f"pipeline/{name}/README.md") for name in ("commands", "ingest", "scoring")
)
DOCUMENTS = sorted(
    str(path.relative_to(ROOT))
    for folder in (".", "pipeline/*", "flows", "sql", "sample_lake")
    for path in ROOT.glob(f"{folder}/*.md")
)


def test_the_contract_in_the_documents_is_the_contract_in_the_code() -> None:
    assert contract_text.markdown().strip() in LAKE


def test_both_worked_mappings_are_read_as_they_say() -> None:
    examples = re.findall(r"```toml\n(.*?)```", LAKE, flags=re.DOTALL)
    assert len(examples) == 2
    for text in examples:
        told = describe(read_lake_config(text, "README.md"))
        assert any("l1_w" in line for line in told)


def test_every_fault_stands_in_the_documents_with_who_fixes_it() -> None:
    for name, fault in CATALOGUE.items():
        row = rf"^\| {name} \| {re.escape(fault.title)} \|.*\| {fault.remedy.fix_by} \|$"
        assert re.search(row, FAULTS, flags=re.MULTILINE), name


# `nightclamp X ...` in a line of text, or a line of its own in a block of commands.
SPANS = [
    (inline or line).split(maxsplit=1)
    for inline, line in re.findall(
        r"`nightclamp (\w[^`]*)`|^(?:\S*/)?nightclamp (\w[^\n]*)$",
        "\n".join(map(read, DOCUMENTS)),
        re.MULTILINE,
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
        argument.name: argument.field_info.default
        for argument in arguments(command)
        if argument.index is None
    }


COMMANDS = [name for name in app if not name.startswith("-")]


def test_every_command_of_the_documents_exists_and_every_command_is_in_their_table() -> None:
    assert {words[0] for words in SPANS} == set(COMMANDS)
    assert set(re.findall(r"^\| `nightclamp (\w+)", COMMANDS_TABLE, re.MULTILINE)) == set(COMMANDS)


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
    assert "--settings FILE" in COMMANDS_TABLE
    assert {command: names for command, names in missing.items() if names} == {}


def test_the_two_commands_are_the_ones_of_the_readme() -> None:
    assert '.venv/bin/pip install -q -e ".[dev]" && .venv/bin/nightclamp nightly sample_lake' in README
    assert "\n.venv/bin/pytest\n" in README


def test_every_package_has_a_place_in_the_map() -> None:
    for path in (ROOT / "pipeline").glob("*/__init__.py"):
        assert re.search(rf"^\|.*`{path.parent.name}`", DEVELOPERS, flags=re.MULTILINE), path.parent.name


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_file_that_a_document_names_exists(name: str) -> None:
    """Paths from the root, or from pipeline/ as contributors say them; links from the document's folder."""
    named = set(re.findall(r"\b((?:[a-z_]+/)+[a-z_]+\.(?:py|sql|toml|yaml))\b", read(name)))
    assert {
        path for path in named if not ((ROOT / path).exists() or (ROOT / "pipeline" / path).exists())
    } == set()
    links = {link.split("#")[0] for link in re.findall(r"\]\(([^)]+)\)", read(name))}
    assert {link for link in links if not ((ROOT / name).parent / link).exists()} == set()


def test_the_first_data_of_the_readme_become_a_lake_in_contract(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a reader does in the first ten minutes, done."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "my_lake").mkdir()
    (tmp_path / "readings.csv").write_text(re.search(r"```\n(meter,.*?)```", README, re.DOTALL).group(1))
    (tmp_path / "my_lake/sites.csv").write_text(
        re.search(r"```\n(site_id,.*?)```", README, re.DOTALL).group(1)
    )
    exec(re.search(r"```python\n(.*?)```", README, re.DOTALL).group(1), {})
    with pytest.raises(SystemExit) as end:
        app(["check", "my_lake"])
    assert (end.value.code, capsys.readouterr().out.splitlines()[-1]) == (0, "my_lake: in contract")


def test_what_is_said_of_the_sample_is_what_lies_in_it() -> None:
    words = read("sample_lake/README.md")
    truth = pl.read_csv(ROOT / "sample_lake/truth.csv")
    sites = pl.read_csv(ROOT / "sample_lake/sites.csv", try_parse_dates=True)
    faulty = truth.filter(pl.col("fault") != "sound").height
    new = sites.filter(pl.col("commissioned_on") > date(2026, 5, 18)).height
    assert (
        f"{truth.height} invented homes over {len(list((ROOT / 'sample_lake/intervals').iterdir()))} days"
        in words
    )
    assert f"{new} of them new; {faulty} have an install fault now" in words
    assert f"{truth['hard_negative'].drop_nulls().len()} look faulty and are not" in words
    assert sites.select((pl.col("latitude", "longitude") * 100 % 1).round(6).is_in([0.0, 1.0]).all()).row(
        0
    ) == (True, True)
