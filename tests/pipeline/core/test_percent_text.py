"""A likelihood in words: one way for a number and for a column, and never certain where it isn't."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.core.percent_text import likelihoods, likelihoods_column, percent, percent_column

NEAR = [np.nextafter(at, to) for at in (0.0, 0.005, 0.01, 0.015, 0.5, 0.985, 0.99, 1.0) for to in (0.0, 1.0)]


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.0, "0 %"), (1e-12, "under 1 %"), (0.00999, "under 1 %"), (0.01, "1 %"), (0.123, "12 %"), (0.86, "86 %"),
        (0.99, "99 %"), (0.9901, "over 99 %"), (1 - 1e-12, "over 99 %"), (1.0, "100 %"),
        (None, "–"), (float("nan"), "–"), (float("inf"), "–"),
    ],
)  # fmt: skip
def test_percent_never_claims_certainty(share: float | None, text: str) -> None:
    assert percent(share) == text


def test_a_column_is_written_as_each_of_its_numbers() -> None:
    shares = [*np.linspace(0, 1, 20_001), *NEAR, *np.random.default_rng(7).random(2_000), float("nan"), None]

    column = pl.Series("share", shares, dtype=pl.Float64)

    told = column.to_frame().select(percent_column(pl.col("share"))).to_series()
    assert told.to_list() == [percent(share) for share in column.to_list()]


def test_a_named_fault_has_its_own_likelihood_beside_that_of_any() -> None:
    frame = pl.DataFrame({"named": [0.86, None], "either": [0.9999, 0.2]})

    told = frame.select(likelihoods_column(pl.col("named"), pl.col("either"))).to_series().to_list()

    assert told == ["86 % this fault, over 99 % any fault", "– this fault, 20 % any fault"]
    assert told == [likelihoods(*row) for row in frame.iter_rows()]
