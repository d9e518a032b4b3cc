"""What a reader meets first: packages that say what they are for, functions whose calls say what is what."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = sorted(path.parent.name for path in (ROOT / "pipeline").glob("*/__init__.py"))


def public_functions() -> Iterator[tuple[str, ast.FunctionDef]]:
    """Every public function of a module; compiled code takes its arguments by place."""
    for path in sorted((ROOT / "pipeline").rglob("*.py")):
        if "kernels" not in path.parts:
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                    yield f"{path.relative_to(ROOT)}: {node.name}", node


def test_arguments_after_the_third_are_named_in_calls() -> None:
    assert [name for name, node in public_functions() if len(node.args.args) > 3] == []


def test_a_function_of_many_arguments_says_what_each_is() -> None:
    many = {name: node for name, node in public_functions() if len(node.args.args + node.args.kwonlyargs) > 3}
    assert [
        name for name, node in many.items() if "Parameters\n" not in (ast.get_docstring(node) or "")
    ] == []
    assert many


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_says_what_comes_in_what_goes_out_and_where_to_begin(package: str) -> None:
    told = ast.get_docstring(
        ast.parse((ROOT / "pipeline" / package / "__init__.py").read_text(encoding="utf-8"))
    )
    assert told is not None
    assert re.search(r"^In: ", told, re.MULTILINE)
    assert re.search(r"\bOut: ", told)
    first = re.search(r"\b[Oo]pen `(\w+)(\.py)?`", told)
    assert first, "which module to open first"
    assert list((ROOT / "pipeline" / package).glob(f"{first[1]}*"))


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_shows_an_example_that_runs(package: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    result = doctest.testmod(importlib.import_module(f"pipeline.{package}"))
    assert (result.failed, result.attempted > 0) == (0, True)
