"""The third line's daily numbers stand beside those of the first two."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.features.line_daily import THIRD_LINE, with_third_line

DAY = date(2025, 6, 1)


def test_the_third_line_is_the_second_of_pair_23() -> None:
    daily = pl.DataFrame(
        {"site_id": ["a", "b"], "day": [DAY, DAY], "zero_l1_share": [0.1, 0.2], "zero_l2_share": [0.3, 0.4]}
    )
    legs = {name.replace("l3", "l2"): [float(at), -1.0, -2.0] for at, name in enumerate(THIRD_LINE)}
    pairs = pl.DataFrame(
        {
            "site_id": ["a\n23\n", "a\n31\n", "a\nsum\n"],
            "day": [DAY] * 3,
            **legs,
            "zero_l1_share": [0.35, 0.9, 0.0],
        }
    ).with_columns(zero_l2_share=pl.Series([0.7, 0.05, 0.0]))

    three, two = with_third_line(daily, pairs).to_dicts()

    assert [three[name] for name in THIRD_LINE if name != "zero_l3_share"] == [0.0, 1.0, 2.0, 3.0, 5.0]
    assert {two[name] for name in THIRD_LINE} == {None}
    assert (two["zero_l1_share"], two["zero_l2_share"]) == (0.2, 0.4)
    # Of each line the larger of its two pairs: 12 and 31, 12 and 23, 23 and 31.
    assert (three["zero_l1_share"], three["zero_l2_share"], three["zero_l3_share"]) == (0.1, 0.35, 0.9)
