"""Wirings: all 48 of three lines are found again from what a circuit shows, and each is counted and named once."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from scored_homes import homes
from three_line_rows import EUROPE, WYE, three_line_homes, wired_row

from pipeline.probes.line_rows import pair_rows
from pipeline.probes.wirings import (
    MOST_LOG_ODDS,
    add_wirings,
    all_wirings,
    log_prior,
    wiring_columns,
    wiring_leg,
    wiring_shares,
)

CODES = [wiring.code for wiring in all_wirings(3)]


def shares_of(rows: list[dict], service: str = EUROPE) -> np.ndarray:
    signals = three_line_homes(rows, service)
    return wiring_shares(signals, pair_rows(signals), 3)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_there_are_n_factorial_times_two_to_the_n_and_right_comes_first(count: int) -> None:
    wirings = all_wirings(count)

    assert len(wirings) == len({wiring.code for wiring in wirings}) == math.factorial(count) * 2**count
    assert wirings[0].code == " ".join(f"l{line}+" for line in range(1, count + 1))
    assert np.exp(log_prior(count)).sum() == pytest.approx(1.0)
    assert log_prior(count).argmax() == 0
    assert math.exp(log_prior(count)[0]) > 0.9


@pytest.mark.parametrize("service", [EUROPE, WYE])
def test_with_all_evidence_every_wiring_is_found(service: str) -> None:
    """With reactive power, voltages and a meter, a third of production on each line."""
    rows = [wired_row(wiring.order, wiring.signs, service=service) for wiring in all_wirings(3)]

    shares = shares_of(rows, service)

    assert [CODES[at] for at in shares.argmax(axis=1)] == CODES
    assert shares.max(axis=1).min() > 0.9


def test_an_inverter_on_one_line_is_found_with_the_wiring() -> None:
    """The line that production lights is no sign of a wrong wiring, whichever it is."""
    rows = [wired_row((0, 1, 2), (1, 1, 1), pv_lines=(line,)) for line in ("l1", "l2", "l3")]

    assert shares_of(rows)[:, 0].min() > 0.95


def test_without_sun_voltages_and_meter_a_turned_ct_is_found_and_a_moved_one_is_not() -> None:
    silent = ["slope", "var", "meter"]
    nothing = {f"{name}_l{line}": None for name in silent for line in (1, 2, 3)}
    nothing |= {f"sag_l{side}_z{pair}": None for side in (1, 2) for pair in ("", "_23", "_31")}
    turned = wired_row((0, 1, 2), (1, -1, 1)) | nothing
    moved = wired_row((1, 2, 0), (1, 1, 1)) | nothing

    of_turned, of_moved = shares_of([turned, moved])

    assert CODES[of_turned.argmax()] == "l1+ l2- l3+"
    assert of_moved[CODES.index("l2+ l3+ l1+")] < 0.5


def test_of_two_legs_too_a_wiring_is_found_but_for_the_one_that_reads_right_powers() -> None:
    """Legs exchanged and both turned around read as right ones; only voltages speak, against what is usual."""
    wirings = all_wirings(2)
    signals = homes([wired_row(wiring.order, wiring.signs, service="120/240") for wiring in wirings])

    shares = wiring_shares(signals, {"12": signals}, 2)

    assert shares.argmax(axis=1)[:-1].tolist() == list(range(len(wirings) - 1))
    assert wirings[-1].code == "l2- l1-"
    assert np.argsort(-shares[-1])[:2].tolist() == [0, len(wirings) - 1]
    assert shares[-1, -1] > 100 * shares[0, -1]


def test_a_home_of_which_nothing_is_known_keeps_what_stood_before_the_data() -> None:
    known = {"site_id", "service", "line_count"}
    empty = three_line_homes([{}]).with_columns(
        pl.lit(None).cast(kind).alias(name)
        for name, kind in three_line_homes([{}]).schema.items()
        if name not in known
    )

    shares = wiring_shares(empty, pair_rows(empty), 3)[0]

    np.testing.assert_allclose(shares, np.exp(log_prior(3)), rtol=1e-6)


def test_lines_called_otherwise_have_their_odds_called_otherwise() -> None:
    """The same home with each line called the next one: nothing else changes."""
    rows = [wired_row((0, 2, 1), (1, 1, 1), seed=4), wired_row((1, 0, 2), (1, 1, 1), seed=4)]
    columns = wiring_columns(shares_of(rows), 3)

    moved = np.column_stack([columns[f"wiring_moved_l{line}"] for line in (1, 2, 3)])
    assert (moved[0] > 0).tolist() == [False, True, True]
    assert (moved[1] > 0).tolist() == [True, True, False]
    for odds in columns.values():
        assert np.abs(odds).max() <= MOST_LOG_ODDS


def test_a_wiring_is_wrong_on_the_lines_of_its_moved_cts_else_of_its_turned_ones() -> None:
    codes = ("l3- l2- l1-", "l2+ l3+ l1-", "l1- l2+ l3-", "l1+ l2+ l3+")
    assert [wiring_leg(code) for code in codes] == ["l1+l3", "l1+l2+l3", "l1+l3", ""]


def test_log_odds_speak_of_the_right_wiring_and_of_each_line() -> None:
    right, turned = wired_row((0, 1, 2), (1, 1, 1)), wired_row((0, 1, 2), (1, 1, -1))
    signals = three_line_homes([right, turned])

    told = add_wirings(signals, pair_rows(signals))

    assert told["wiring_right"][0] > 3
    assert told["wiring_right"][1] < -3
    assert told["wiring_turned_l3"].to_list() == pytest.approx([-MOST_LOG_ODDS, MOST_LOG_ODDS], abs=17)
    assert told["wiring_best"].to_list() == ["l1+ l2+ l3+", "l1+ l2+ l3-"]
    assert told["wiring_share"].min() > 0.9
