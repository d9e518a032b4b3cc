"""A named fault's own likelihood stands beside that of any fault."""

from __future__ import annotations

import polars as pl

from pipeline.worklist.suspected_text import suspected_column


def test_a_fault_is_named_by_its_title_with_both_likelihoods() -> None:
    shares = {"reversed": 0.6, "dead": None, "sound": 0.004}
    homes = pl.DataFrame({
        "fault": ["reversed", "dead", "of_another_model"], "likelihood": [0.996, 0.3, 0.3],
        "fault_likelihoods": [shares] * 3,
    })  # fmt: skip
    assert homes.select(suspected_column(["reversed", "dead"])).to_series().to_list() == [
        "CT reversed: 60 % this fault, over 99 % any fault",
        "no signal (open lead): 0 % this fault, 30 % any fault",
        None,
    ]
