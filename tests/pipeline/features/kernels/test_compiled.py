"""What compiled code makes of true, null and false, of sums and quantiles is what SQL makes of them."""

from __future__ import annotations

import math
from itertools import product
from pathlib import Path
from typing import Any

import duckdb
import numba
import numpy as np
import pytest

from pipeline.features.kernels import compiled, level, meter, step
from pipeline.features.kernels.compiled import FALSE, NULL, TRUE

NAN = float("nan")
TOLD = {True: TRUE, None: NULL, False: FALSE}


def callable_of(function: Any) -> Any:
    """What Python may call: the functions themselves are compiled into others only."""
    return numba.njit(error_model="numpy")(lambda *given: function(*given))


below, above, reaches, is_same, tally, put_counts, add, put_sums, quantile, sort = map(
    callable_of,
    (compiled.below, compiled.above, compiled.reaches, compiled.is_same, compiled.tally, compiled.put_counts,
     compiled.add, compiled.put_sums, compiled.quantile, compiled.sort),
)  # fmt: skip


def sql(text: str, *values: object) -> object:
    """Return one value of DuckDB's."""
    row = duckdb.execute(f"SELECT {text}", list(values)).fetchone()
    assert row is not None
    return row[0]


def test_the_smaller_of_two_is_their_and_the_larger_their_or() -> None:
    for one, two in product(TOLD, TOLD):
        assert min(TOLD[one], TOLD[two]) == TOLD[sql("$1::BOOL AND $2::BOOL", one, two)]
        assert max(TOLD[one], TOLD[two]) == TOLD[sql("$1::BOOL OR $2::BOOL", one, two)]
        assert TRUE - TOLD[one] == TOLD[sql("NOT $1::BOOL", one)]


@pytest.mark.parametrize(
    ("function", "sign"),
    [(below, "<"), (above, ">"), (reaches, ">="), (is_same, "=")],
    ids=["below", "above", "reaches", "is_same"],
)
def test_comparisons_are_those_of_sql(function: object, sign: str) -> None:
    for one, two in product((1.0, 2.0, None), repeat=2):
        mine = function(NAN if one is None else one, NAN if two is None else two)
        assert mine == TOLD[sql(f"$1::DOUBLE {sign} $2::DOUBLE", one, two)]


@pytest.mark.parametrize("met", [[TRUE, NULL, TRUE], [NULL, NULL], [FALSE, NULL], []], ids=str)
def test_a_tally_is_null_where_it_knows_of_no_row(met: list[int]) -> None:
    counts, value = np.zeros(1, np.int64), np.empty(1)
    for one in met:
        tally(counts, 0, one)
    put_counts(value, counts, len(met))
    told = [{TRUE: True, NULL: None, FALSE: False}[one] for one in met]
    counted = sql("list_aggregate($1::BOOL[], 'count_if')", told) if met else None
    assert (None if np.isnan(value[0]) else value[0]) == counted


def test_a_sum_passes_over_nulls_and_rows_it_is_not_asked_for() -> None:
    sums, value, seen = np.zeros(2), np.empty(2), 0
    for summand, is_asked in ((1.0, True), (NAN, True), (5.0, False), (2.0, True)):
        seen |= add(sums, 0, summand, is_asked)
    seen |= add(sums, 1, NAN, True)
    put_sums(value, sums, seen)

    assert value[0] == 3.0
    assert np.isnan(value[1])


def test_every_sum_has_a_bit_of_its_own() -> None:
    assert max(len(names) for names in (level.SUMS, step.SUMS, meter.SUMS)) < 63


@pytest.mark.parametrize("count", [0, 1, 2, 25, 288, 1440])
def test_values_are_put_in_order(count: int) -> None:
    values = np.random.default_rng(count).normal(size=count + 3)
    after = values[count:].copy()
    ranked = np.sort(values[:count])
    sort(values, count)
    assert np.array_equal(values[:count], ranked)
    assert np.array_equal(values[count:], after)


@pytest.mark.parametrize("count", [1, 2, 5, 20])
def test_quantiles_are_continuous(count: int) -> None:
    ranked = np.sort(np.random.default_rng(count).normal(size=count))
    for share in (0.0, 0.05, 0.5, 0.9, 1.0):
        assert quantile(ranked, count, share) == pytest.approx(np.quantile(ranked, share), abs=1e-12)
    assert math.isnan(quantile(ranked, 0, 0.5))


def test_what_was_compiled_of_other_code_is_not_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A module that compiled code is part of may change while the one that Python calls stays as it was."""
    monkeypatch.setattr(compiled, "__file__", str(tmp_path / "compiled.py"))
    monkeypatch.setattr(compiled, "kernel_digest", lambda: "one")
    first = compiled._cache()
    assert first == compiled._cache()

    monkeypatch.setattr(compiled, "kernel_digest", lambda: "two")
    second = compiled._cache()

    assert first is not None
    assert second not in (None, first)
    assert not first.exists()


def test_where_nothing_can_be_written_nothing_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "__pycache__").write_text("no folder")
    (tmp_path / ".cache").write_text("no folder")
    monkeypatch.setattr(compiled, "__file__", str(tmp_path / "compiled.py"))
    monkeypatch.setenv("HOME", str(tmp_path))
    assert compiled._cache() is None
