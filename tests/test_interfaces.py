"""What a reader meets first: functions whose calls say what is what."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parent.parent


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
