"""Sentences of a whole column at once are those of each row, and the strongest probes come first."""

from __future__ import annotations

import numpy as np
import pytest
from scored_homes import homes

from pipeline.learning.labelled import Labelled
from pipeline.probes import names_of, probes_of
from pipeline.scoring.sentences import (
    evidence_lines,
    has_data,
    odds_words,
    probe_sentences,
    strength_words,
    strongest_probes,
)

NAMES = names_of(2)
PROBES = probes_of(2)


def test_the_one_that_adds_most_comes_first_and_what_says_nothing_is_not_said() -> None:
    terms = np.zeros((3, len(NAMES)))
    sun, nights, meter, record = (NAMES.index(name) for name in ("sun", "nights", "meter", "register"))
    terms[:, [sun, nights, meter, record]] = [3.0, -2.0, 0.05, 9.0]
    speaks = np.ones_like(terms, dtype=np.bool_)
    speaks[2, sun] = False

    order = strongest_probes(terms, speaks, np.array([True, False, True]))

    assert order.tolist() == [[sun, -1, -1], [nights, -1, -1], [-1, -1, -1]]


def test_lines_are_those_of_each_home_alone(fleet: Labelled) -> None:
    rng = np.random.default_rng(1)
    order = rng.integers(-1, len(NAMES), (fleet.signals.height, 3))

    lines = evidence_lines(fleet.signals, order)

    for at, line in enumerate(lines):
        alone = fleet.signals[at : at + 1]
        said = [probe_sentences(PROBES[number], alone)[0] for number in order[at].tolist() if number >= 0]
        assert line == ("; ".join(said) or "too little data to tell")
    assert evidence_lines(fleet.signals[:2], np.full((2, 3), -1)) == ["too little data to tell"] * 2


def test_a_probe_speaks_where_its_data_are() -> None:
    known = homes([{}, {"meter_gain_l1": None}, {"nights": 0}, {"gain_sum_se": 0.9}])

    speaks = has_data(known)

    assert speaks[0].all()
    assert [name for name, at in zip(NAMES, speaks[1], strict=True) if not at] == ["meter"]
    assert [name for name, at in zip(NAMES, speaks[2], strict=True) if not at] == ["nights"]
    assert [name for name, at in zip(NAMES, speaks[3], strict=True) if not at] == ["sun"]


def test_a_home_of_one_line_is_held_against_no_other_line() -> None:
    one, two = has_data(homes([{"zero_l2_share": None, "service": "230"}, {}]))[:, NAMES.index("mirror")]

    assert (one, two) == (False, True)


@pytest.mark.parametrize(
    ("weight", "told"),
    [
        (np.log(900), "900 to 1 for a fault"),
        (-np.log(20_000), "20 000 to 1 for a sound install"),
        (np.log(2.5), "2.5 to 1 for a fault"),
        (0.05, "says little"),
        (-0.05, "says little"),
    ],
)
def test_a_weight_reads_as_odds(weight: float, told: str) -> None:
    assert odds_words(weight, "a fault", "a sound install") == told


@pytest.mark.parametrize(
    ("weight", "told"),
    [
        (np.log(900), "very strong for a fault, 900 to 1"),
        (np.log(54), "strong for a fault, 54 to 1"),
        (-np.log(4.75), "moderate against a fault, 4.8 to 1"),
        (-np.log(1.9), "weak against a fault, 1.9 to 1"),
        (0.05, "says little"),
    ],
)
def test_a_weight_reads_as_how_strong_it_is_with_its_odds(weight: float, told: str) -> None:
    assert strength_words(weight) == told
