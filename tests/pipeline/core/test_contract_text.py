"""The contract's tables in the documents have every column with its type, unit, range and meaning."""

import pytest

from pipeline.core import contract, contract_text


@pytest.mark.parametrize("table", list(contract.TABLES))
def test_the_markdown_has_a_row_for_every_column(table: str) -> None:
    part = contract_text.markdown().split(f"**{table}**")[1].split("**")[0]
    listed = [line.split("`")[1] for line in part.splitlines() if line.startswith("| `")]
    assert listed == contract.TABLES[table].column_names()


def test_the_markdown_tells_type_unit_range_and_meaning() -> None:
    lines = contract_text.markdown().splitlines()
    assert "| `l1_v` | number | V | yes | 0 to 400 | mean rms volts of L1 to neutral |" in lines
    assert "| `leg` | text |  | yes | l1, l2, both, l3, l1+l2, l1+l3, l2+l3, l1+l2+l3 | where |" in lines
