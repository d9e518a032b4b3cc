"""A fleet in shards: every home in one of them, a cut that rests, and tables that reach whoever works on them."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.core.sharding import WHOLE, SerialExecutor, Shard, TableStore, between, cut, homes_of

HOMES = pl.Series("site_id", [f"H{number:02d}" for number in range(10)])


def sizes(shards: tuple[Shard, ...], homes: pl.Series) -> list[int]:
    return [sum(shard.has(home) for home in homes) for shard in shards]


@pytest.mark.parametrize(
    ("most", "expected"), [(3, [3, 3, 3, 1]), (4, [4, 4, 2]), (6, [5, 5]), (10, [10]), (99, [10])]
)
def test_shards_are_about_even_and_none_is_too_large(most: int, expected: list[int]) -> None:
    assert sizes(cut(HOMES, most), HOMES) == expected


def test_an_empty_fleet_is_one_shard() -> None:
    assert cut(HOMES.clear(), 5) == (WHOLE,)


@given(st.lists(st.text(), unique=True), st.integers(1, 5), st.text())
def test_every_id_whatever_it_is_belongs_to_one_shard(ids: list[str], most: int, unknown: str) -> None:
    ids = [one for one in ids if one.isprintable()]
    homes = pl.Series("site_id", ids, dtype=pl.String).sort()
    shards = cut(homes, most)

    assert sum(shard.has(unknown) for shard in shards) == 1
    assert sum(shard.is_first for shard in shards) == 1
    assert len({shard.name for shard in shards}) == len(shards)
    dealt = [shard.rows(homes.to_frame().lazy()).collect()["site_id"].to_list() for shard in shards]
    assert [home for some in dealt for home in some] == homes.to_list()
    assert [[home for home in homes if shard.has(home)] for shard in shards] == dealt
    assert max(map(len, dealt)) <= most


def test_a_cut_rests_while_homes_come_and_go_and_is_made_anew_when_it_no_longer_fits() -> None:
    before = cut(HOMES, 4)
    joined = pl.concat([HOMES, pl.Series(["A1", "H021"])]).sort()

    assert cut(joined, 4) != before
    assert cut(joined, 4, before) == before
    assert cut(joined, 2, before) == cut(joined, 2)  # others were asked for
    assert cut(joined, 100, before) == (WHOLE,)
    many = pl.concat([HOMES, pl.Series([f"H00{number}" for number in range(5)])]).sort()
    assert cut(many, 4, before) == cut(many, 4)


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        (Shard(None, "b"), Shard("b", None), False),
        (Shard("a", "c"), Shard("b", "d"), True),
        (Shard("a", "b"), Shard("c", "d"), False),
        (WHOLE, Shard("x", "y"), True),
    ],
)
def test_shards_of_two_cuts_meet_where_a_home_can_be_in_both(
    one: Shard, other: Shard, expected: bool
) -> None:
    assert one.meets(other) is expected
    assert other.meets(one) is expected


@pytest.mark.parametrize("is_shared", [False, True])
def test_a_table_on_the_shelf_gives_each_shard_its_rows(tmp_path: Path, is_shared: bool) -> None:
    tables = TableStore(tmp_path if is_shared else None)
    table = HOMES.to_frame().with_columns(value=pl.int_range(pl.len()))

    source = tables.put("fleet", table)

    assert source.of().equals(table)
    assert [source.of(shard)["value"].to_list() for shard in between(["H03", "H08"])] == [
        [0, 1, 2],
        [3, 4, 5, 6, 7],
        [8, 9],
    ]
    assert [path.name for path in tmp_path.iterdir()] == (["fleet.parquet"] if is_shared else [])


def test_queries_see_a_shards_homes_only_within_it(tmp_path: Path) -> None:
    con = sql_runner.connect(tmp_path, load_settings().engine)

    def seen(given: object, piece: Shard) -> tuple[object, ...]:
        with homes_of(con, piece):
            return con.execute("SELECT getvariable('first_home'), getvariable('before_home')").fetchone()

    assert SerialExecutor(con)("look", seen, between(["b"])) == [(None, "b"), ("b", None)]
    assert con.execute("SELECT getvariable('before_home')").fetchone() == (None,)
    con.close()
