"""Each query says in its header what one row is and what every column means; the header can't drift."""

from __future__ import annotations

import re

import duckdb
import pytest
from day_oracle import sql_text
from sql_tables import TABLES, World, read_header

LONGEST = 120


@pytest.mark.parametrize("table", TABLES)
def test_the_header_begins_with_the_grain_and_one_plain_sentence(table: str) -> None:
    header = read_header(sql_text(table))

    assert re.fullmatch(rf"{table}: one row( an? | for | ?\.).*", header.grain), header.grain
    assert header.grain.endswith(".")
    assert re.match(r"[A-Z]", header.sentence), header.sentence
    assert header.sentence.endswith(".")


@pytest.mark.parametrize("table", TABLES)
def test_the_header_names_the_columns_of_the_result_and_no_others(table: str, world: World) -> None:
    header = read_header(sql_text(table))
    result = set(world.columns_of(table))
    whole = {name for other in header.all_of for name in world.columns_of(other)} - set(header.but)
    some = {name for other in header.some_of for name in world.columns_of(other)}

    assert len(set(header.columns)) == len(header.columns)
    assert result - set(header.columns) - whole - some == set()
    assert (set(header.columns) | whole) - result == set()


@pytest.mark.parametrize("table", TABLES)
def test_a_query_is_one_short_select(table: str) -> None:
    text = sql_text(table)

    (statement,) = duckdb.extract_statements(text)
    assert statement.type == duckdb.StatementType.SELECT
    assert len(text.splitlines()) <= LONGEST


def test_a_header_is_read_as_written() -> None:
    header = read_header(
        "-- pair: one row a pair.\n-- What two\n-- legs do.\n--   a, b [W]  steps, in text; c [-] ratio\n"
        "--   long_name,\n--   longer_name [V] volts\n--   and all of ramp but weight\n"
        "--   and some of site_day: the sums\n-- A note, not a column [W].\nSELECT 1 AS a -- not this [W]\n"
    )

    assert header.grain == "pair: one row a pair."
    assert header.sentence == "What two legs do."
    assert header.columns == ("a", "b", "c", "long_name", "longer_name")
    assert (header.all_of, header.some_of, header.but) == (("ramp",), ("site_day",), ("weight",))
