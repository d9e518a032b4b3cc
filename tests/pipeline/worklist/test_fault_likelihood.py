"""The likelihood of the fault that is named, out of those of all."""

import polars as pl

from pipeline.worklist.fault_likelihood import fault_likelihood


def test_each_home_has_the_likelihood_of_the_fault_it_names():
    first = {"dead": 0.7, "reversed": 0.2, "sound": 0.1}
    second = {"dead": 0.1, "reversed": None, "sound": 0.9}
    homes = pl.DataFrame(
        {"fault": ["dead", "reversed", None, "other"], "fault_likelihoods": [first, second, first, second]}
    )

    told = homes.select(fault_likelihood(pl.col("fault"), ["dead", "reversed"]))

    assert told.to_dict(as_series=False) == {"fault_likelihood": [0.7, None, None, None]}
