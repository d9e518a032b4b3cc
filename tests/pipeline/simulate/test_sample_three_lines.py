"""The sample lake of three-line homes has every fault that they can have, and homes of other services beside."""

from __future__ import annotations

from itertools import permutations

import polars as pl
import pytest

from pipeline.core.errors import InputError
from pipeline.evaluation.validation.truth import read_truth
from pipeline.faults.catalogue import CATALOGUE
from pipeline.simulate.sample_three_lines import write_sample_of

PERMUTED = [
    " ".join(f"l{line}+" for line in order) for order in permutations((1, 2, 3)) if order != (1, 2, 3)
]


@pytest.fixture(scope="module")
def lake(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sample")
    write_sample_of("230/400", folder)
    return folder


def test_every_fault_of_three_lines_is_there(lake):
    truth, sites = read_truth(lake / "truth.csv"), pl.read_csv(lake / "sites.csv")
    assert set(truth["fault"]) == {*CATALOGUE, "sound"}
    assert set(sites["service"]) == {"230/400", "230", "120/240", "120/208"}
    permuted = truth.filter(pl.col("wiring").str.replace_all("-", "+").is_in(PERMUTED))
    assert permuted["leg"].n_unique() == 4
    assert {"-" in wiring for wiring in permuted["wiring"]} == {True, False}
    summed = sites.filter(pl.col("lines_summed"))["site_id"].item()
    rows = pl.read_parquet(sorted(lake.glob("intervals/*/*.parquet"))).filter(pl.col("site_id") == summed)
    assert rows["l1_w"].count() > 0 == rows["l2_w"].count() + rows["l3_w"].count()
    assert 40 <= truth.height <= 80


def test_only_services_with_three_lines_have_such_a_sample(tmp_path):
    with pytest.raises(InputError, match="no sample lake of 120/240"):
        write_sample_of("120/240", tmp_path)
