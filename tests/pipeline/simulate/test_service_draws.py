"""Homes on other services: which lines an inverter feeds, what the register says, how large loads on three are."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from pipeline.core.contract import PV_ON
from pipeline.core.services import BOTH, lines_of
from pipeline.simulate.connections import row_of
from pipeline.simulate.service_draws import (
    draw_from,
    draw_line_shares,
    draw_load_lines,
    draw_pv_leg,
    draw_pv_on,
    size_large,
)


def fed(service: str, ac_kw: float) -> Counter[int]:
    """Return how often an inverter of this rating feeds how many lines."""
    legs = [draw_pv_leg(service, ac_kw, np.random.default_rng(seed)) for seed in range(400)]
    return Counter(len(lines_of(leg, 3)) for leg in legs)


@pytest.mark.parametrize(
    ("service", "ac_kw", "lines"),
    [
        ("230/400", 3.0, {1, 3}), ("230/400", 4.2, {1, 2, 3}), ("230/400", 6.0, {2, 3}), ("230/400", 9.0, {3}),
        ("120/208 three-phase", 4.0, {2}), ("120/208 three-phase", 8.0, {2, 3}), ("120/208 three-phase", 15.0, {3}),
    ],
)  # fmt: skip
def test_an_inverter_feeds_as_many_lines_as_its_rating_allows(service, ac_kw, lines):
    assert set(fed(service, ac_kw)) == lines


def test_a_small_inverter_is_on_any_line_and_a_pair_on_any_pair():
    small = Counter(draw_pv_leg("230/400", 3.0, np.random.default_rng(seed)) for seed in range(400))
    assert {leg for leg in small if leg != BOTH} == {"l1", "l2", "l3"}
    pairs = {draw_pv_leg("120/208 three-phase", 4.0, np.random.default_rng(seed)) for seed in range(400)}
    assert pairs == {"l1+l2", "l2+l3", "l1+l3"}


def test_half_of_the_registers_say_in_the_contracts_words_what_the_inverter_feeds():
    said = [
        draw_pv_on(leg, np.random.default_rng(seed)) for seed in range(300) for leg in (BOTH, "l1+l3", "l2")
    ]
    assert {word for word in said if word} == {"all", "l1+l3", "l2"} < set(PV_ON)
    assert 0.4 < said.count(None) / len(said) < 0.6


def test_a_weighted_draw_follows_its_weights():
    drawn = Counter(draw_from({"a": 1.0, "b": 3.0}, np.random.default_rng(seed)) for seed in range(400))
    assert 240 < drawn["b"] < 360


def test_circuits_lie_on_all_lines_and_a_large_load_on_the_lines_of_its_kind():
    shares = draw_line_shares(np.random.default_rng(3))
    assert sum(shares) == pytest.approx(1)
    assert min(shares) > 0
    assert {len(draw_load_lines("230/400", "dryer", np.random.default_rng(seed))) for seed in range(50)} == {
        1
    }
    assert {len(draw_load_lines("230/400", "range", np.random.default_rng(seed))) for seed in range(99)} == {
        1,
        2,
        3,
    }


def test_a_load_on_one_line_fits_a_fuse_and_an_instantaneous_heater_runs_short():
    one, three = row_of("230/400", (2,), 0), row_of("230/400", (1, 2, 3), 0)
    assert size_large("230/400", "car", one, watts=9600.0, minutes=240.0) == (7360.0, 240.0)
    assert size_large("230/400", "car", three, watts=9600.0, minutes=240.0) == (11_000.0, 240.0)
    watts, minutes = size_large("230/400", "heater", three, watts=4300.0, minutes=20.0)
    assert watts > 15_000
    assert watts * minutes == pytest.approx(4300 * 20, rel=0.2)
    assert size_large("120/240", "car", row_of("120/240", (1, 2), 0), watts=9600.0, minutes=240.0) == (
        9600.0,
        240.0,
    )
