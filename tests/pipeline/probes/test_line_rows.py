"""Homes of three lines: a pair's quantity is read pair by pair, a line's line by line."""

from __future__ import annotations

import polars as pl
import pytest
from scored_homes import homes
from three_line_rows import three_line_homes

from pipeline.probes.measured import measure, probe_table


def test_a_pairs_quantity_is_read_pair_by_pair_and_a_lines_line_by_line() -> None:
    row = {
        "pair_n": 1.0,
        "pair_n_23": 2.0,
        "pair_n_31": 3.0,
        "night_l3_negative_share": 0.7,
        "sag_l2_z_23": -9.0,
    }
    measured = measure(three_line_homes([row]))

    assert measured.values["pairs.steps"].tolist() == [[1.0, 2.0, 3.0]]
    assert measured.values["nights.negative_share"].tolist() == [[0.0, 0.0, 0.7]]
    assert (
        measured.values["sag.own_z"][0, 2] == -9.0
    )  # line 3 is the second of pair 23; the worse of both pairs


def test_homes_of_two_and_three_lines_are_not_measured_as_one_table() -> None:
    mixed = pl.concat([homes([{}]), three_line_homes([{}])], how="diagonal_relaxed")

    with pytest.raises(ValueError, match="apart"):
        measure(mixed)
    legs = probe_table(mixed).filter(quantity="opposite_share")["leg"].to_list()
    assert legs == [None, "l1+l2", "l2+l3", "l1+l3"]
