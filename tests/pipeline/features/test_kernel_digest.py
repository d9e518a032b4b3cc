"""What the kernels compute is told from how they are written down."""

from __future__ import annotations

import pytest

from pipeline.features.kernel_digest import code_parts, kernel_digest

SOURCE = '''"""Adds."""

def add(one, two):
    """Return the sum."""
    return one + two  # of both
'''


@pytest.mark.parametrize(
    "same",
    [
        SOURCE.replace("Adds.", "Adds two numbers."),
        SOURCE.replace("Return the sum.", "Return\n    what both come to."),
        SOURCE.replace("  # of both", ""),
        SOURCE.replace("two):", "two):\n\n"),
    ],
    ids=["docstring", "longer docstring", "comment", "blank line"],
)
def test_text_is_no_code(same: str) -> None:
    assert list(code_parts(same)) == list(code_parts(SOURCE))


@pytest.mark.parametrize(
    "other",
    [
        SOURCE.replace("one + two", "one - two"),
        SOURCE.replace("    return", "    if one:\n        return"),
        SOURCE.replace("return one + two", 'return "one + two"'),
    ],
)
def test_code_is(other: str) -> None:
    assert list(code_parts(other)) != list(code_parts(SOURCE))


def test_the_digest_is_of_all_kernels() -> None:
    assert len(kernel_digest()) == 16
