"""Sentences of probes: the leg, the number and what right is; nothing of machines, and no row breaks one."""

from __future__ import annotations

import math
import re

import numpy as np
import polars as pl
import pytest
from scored_homes import homes, right_home

from pipeline.learning.labelled import Labelled
from pipeline.probes import NAMES, PROBES, Probe
from pipeline.probes.leg_text import (
    NOT_KNOWN,
    LegNumber,
    Verb,
    known_legs,
    say_legs,
    share_of,
    tell_legs,
    together,
)

_READS = Verb("reads too little", "read too little")
_RIGHT = Verb("reads what it should", "read what they should")
# True, None, "0.0%", "1e+03", a minus of a keyboard, and a number without its blank before the per cent.
_MACHINE = re.compile(r"True|False|None|nan|inf|\d%|\d\.\d+ %|\de[+-]|-\d|[{}]|\+0\.00")


def test_one_wrong_leg_is_named_with_its_number_and_the_other_beside_it() -> None:
    legs = [LegNumber("L1", "0.50", _READS, True), LegNumber("L2", "1.00", _RIGHT, False)]

    assert (
        tell_legs(legs, unit=" times", right="1.00")
        == "L1 reads too little: 0.50 times, right is 1.00 (L2 1.00)"
    )


def test_two_legs_of_one_kind_share_a_verb_and_two_of_different_kinds_have_their_own() -> None:
    same = [LegNumber("L1", "0.50", _READS, True), LegNumber("L2", "0.60", _READS, True)]
    other = Verb("reads too much", "read too much")
    apart = [same[0], LegNumber("L2", "1.90", other, True)]

    assert tell_legs(same, right="1.00") == "L1 and L2 read too little: 0.50 and 0.60, right is 1.00"
    assert tell_legs(apart, unit=" times", right="1.00") == (
        "L1 reads too little: 0.50 times, L2 reads too much: 1.90, right is 1.00"
    )


def test_legs_without_a_number_are_not_spoken_of() -> None:
    assert tell_legs([], right="1.00") == NOT_KNOWN
    assert known_legs({"a_l1": math.nan, "a_l2": 2.0}, "a_{}") == [("l2", 2.0)]
    assert known_legs({"a_l1": None, "a_l2": -math.inf}, "a_{}") == []


def test_shares_and_lists_read_as_words() -> None:
    assert [share_of(share, "intervals") for share in (0.0, 0.0004, 0.541, 1.0)] == [
        "never", "in under 1 % of intervals", "in 54 % of intervals", "in 100 % of intervals",
    ]  # fmt: skip
    assert [together(parts) for parts in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == [
        "",
        "a",
        "a and b",
        "a, b and c",
    ]
    assert say_legs([("l1", "5 W"), ("l2", "6 W")], "falls {}", "fall {}") == "L1 and L2 fall 5 W and 6 W"
    assert say_legs([("l2", "6 W")], "falls {}", "fall {}") == "L2 falls 6 W"


@pytest.mark.parametrize("probe", PROBES, ids=NAMES)
def test_a_probe_tells_its_numbers_of_the_right_home_and_that_it_knows_none_of_an_empty_row(
    probe: Probe,
) -> None:
    said, unsaid = probe.tell(right_home()), probe.tell({})

    assert NOT_KNOWN not in said
    assert re.search(r"\d", said)
    assert not re.search(r"L[12]|\d W", unsaid)
    if probe.name != "register":
        assert "right" in said


@pytest.mark.parametrize("probe", PROBES, ids=NAMES)
def test_no_row_breaks_a_sentence_and_none_reads_like_a_machine(probe: Probe, fleet: Labelled) -> None:
    rng = np.random.default_rng(5)
    odd: list[float | None] = [None, 0.0, -0.0, 1e-9, 1.0, -1.0, 0.004, 1234.5, -720.0, math.nan, math.inf]
    rows = [*fleet.signals.select(probe.reads).iter_rows(named=True)]
    kinds = homes([{}]).select(probe.reads).schema
    numbers = [name for name, kind in kinds.items() if kind == pl.Float64]
    rows += [right_home() | {name: odd[rng.integers(len(odd))] for name in numbers} for _ in range(200)]

    for row in rows:
        said = probe.tell(row)
        assert said == said.strip()
        assert said
        assert "; " not in said  # sentences of a line are apart by it
        assert not _MACHINE.search(said), said


@pytest.mark.parametrize("probe", PROBES, ids=NAMES)
def test_a_home_on_one_line_is_told_of_one_leg(probe: Probe) -> None:
    single = {
        name: None if "l2" in name else value for name, value in right_home().items() if name != "service"
    } | {"service": "single", "pair_log_ratio": None, "mirror_share": None, "equal_share": None}

    assert "L2" not in probe.tell(single)
