"""The step in which a file counts."""

import polars as pl
import pytest

from pipeline.ingest.utility.steps import HOME_NO, with_counted_steps


def step(values: list[float], claim: float | None, column: str = "import_wh") -> float:
    rows = pl.DataFrame(
        {
            HOME_NO: 0,
            "arrival": 0,
            column: values,
            "step_wh": pl.Series([claim] * len(values), dtype=pl.Float64),
        },
    ).with_columns(
        pl.lit(None, dtype=pl.Float64).alias(name)
        for name in ("import_wh", "export_wh", "net_wh")
        if name != column
    )
    found = with_counted_steps(rows)["step_wh"].unique()
    assert found.len() == 1
    return found[0]


MANY = [float(at) for at in range(100)]


@pytest.mark.parametrize(
    ("values", "claim", "is_step"),
    [
        (MANY, 1.0, 1.0),
        ([10 * value for value in MANY], 1.0, 10.0),
        ([12 * value for value in MANY], 1.0, 12.0),
        ([-12 * value for value in MANY], 1.0, 12.0),
        ([value / 1000 for value in MANY], 0.001, 0.001),
        ([1000 * value for value in MANY], 1000.0, 1000.0),
        ([974.0], 1.0, 1.0),
        ([970.0], 1.0, 10.0),
        ([970.0], None, 10.0),
        ([0.974 * 1000, 21.0], None, 1.0),
        ([1.25 * value for value in MANY], None, 1.25),
        ([value / 3 for value in MANY], None, 0.001),
        ([0.0, 0.0], 1.0, 1.0),
        ([0.0], None, 0.001),
        ([value * 1e-6 for value in MANY], 1e-6, 1e-6),
    ],
)
def test_the_step_is_what_all_values_are_multiples_of(
    values: list[float], claim: float | None, is_step: float
) -> None:
    assert step(values, claim) == pytest.approx(is_step, rel=1e-12)
    assert step(values, claim, "net_wh") == pytest.approx(is_step, rel=1e-12)


def test_homes_and_files_have_their_own() -> None:
    rows = pl.DataFrame(
        {
            HOME_NO: [0] * 100 + [1] * 100, "arrival": 0, "import_wh": MANY + [5 * value for value in MANY],
            "export_wh": 0.0, "net_wh": 0.0, "step_wh": 1.0,
        }
    )  # fmt: skip
    found = with_counted_steps(rows).select(HOME_NO, "step_wh").unique().sort(HOME_NO)
    assert found.rows() == [(0, 1.0), (1, 5.0)]
