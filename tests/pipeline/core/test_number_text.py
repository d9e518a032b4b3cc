"""Numbers as people read them."""

from __future__ import annotations

import pytest

from pipeline.core.number_text import number


@pytest.mark.parametrize(
    ("value", "decimals", "sign", "text"),
    [
        (-1234.5, 1, False, "−1\u202f234.5"), (0.5, 2, True, "+0.50"), (-0.5, 2, True, "−0.50"),
        (-0.001, 2, True, "0.00"), (0.0, 2, True, "0.00"), (1e6, 0, False, "1\u202f000\u202f000"),
        (None, 0, False, "–"), (float("nan"), 1, False, "–"), (float("-inf"), 1, True, "–"),
    ],
)  # fmt: skip
def test_a_number_has_a_true_minus_and_no_minus_zero(
    value: float | None, decimals: int, sign: bool, text: str
) -> None:
    assert number(value, decimals, sign=sign) == text
