"""Sentences of probes: the leg, the number and what right is; nothing of machines, and no row breaks one."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import cache
from typing import Any

import numpy as np
import pytest
from scored_homes import right_home
from three_line_rows import three_line_homes

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
from pipeline.probes.line_rows import with_wirings

_READS = Verb("reads too little", "read too little")
_RIGHT = Verb("reads what it should", "read what they should")
# True, None, "0.0%", "1e+03", a minus of a keyboard, and a number without its blank before the per cent.
_MACHINE = re.compile(r"True|False|None|nan|inf|\d%|\d\.\d+ %|\de[+-]|-\d|[{}]|\+0\.00")


@cache
def right_three() -> Mapping[str, Any]:
    """The row of a right home of three lines, with its wirings."""
    return with_wirings(three_line_homes([{}])).row(0, named=True)


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
    said, unsaid = probe.tell(right_home() if probe.least_lines < 3 else right_three()), probe.tell({})

    assert NOT_KNOWN not in said
    assert re.search(r"\d", said)
    assert not re.search(r"L[12]|\d W", unsaid)
    if probe.name != "register":
        assert "right" in said


@pytest.mark.parametrize("probe", PROBES, ids=NAMES)
def test_no_row_breaks_a_sentence_and_none_reads_like_a_machine(probe: Probe, fleet: Labelled) -> None:
    rng = np.random.default_rng(5)
    odd: list[float | None] = [None, 0.0, -0.0, 1e-9, 1.0, -1.0, 0.004, 1234.5, -720.0, math.nan, math.inf]
    rows = [
        *fleet.signals.select(name for name in probe.reads if name in fleet.signals.columns).iter_rows(
            named=True
        )
    ]
    for right in (right_home(), right_three()):
        numbers = [name for name in probe.reads if isinstance(right.get(name), float)]
        rows += [{**right} | {name: odd[rng.integers(len(odd))] for name in numbers} for _ in range(200)]

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


@pytest.mark.parametrize("probe", PROBES, ids=NAMES)
def test_a_home_of_three_lines_is_told_of_lines_and_not_of_legs(probe: Probe) -> None:
    told = probe.tell(right_three())

    assert not re.search(r"\b(leg|legs|240 V)\b", told), told
    if probe.name in ("sun", "nights", "meter", "leaks", "sag", "zeros", "floors", "daylight", "phase"):
        assert all(line in told for line in ("L1", "L2", "L3")), told


def test_of_three_pairs_of_lines_the_one_farthest_from_right_is_spoken_of() -> None:
    row = {**right_three(), "mirror_share_23": 0.8, "pair_opposite_share_31": 0.9, "sag_l1_z_23": 40.0}
    of = dict(zip(NAMES, PROBES, strict=True))

    assert of["mirror"].tell(row).startswith("L3 mirrors L2 (same size, sign turned) in 80 %")
    assert (
        of["pairs"].tell(row).startswith("loads on two or three lines at once step L1 the opposite way to L3")
    )
    assert of["sag"].tell(row).startswith("voltage sag puts L2 on another line or turned around")


def test_an_inverter_on_one_line_has_its_right_told_line_by_line() -> None:
    fed = {"pv_share_l1": 1.0, "pv_share_l2": 0.0, "pv_share_l3": 0.0}
    slopes = {"slope_l1": 0.98, "slope_l2": 0.01, "slope_l3": 0.0}

    told = dict(zip(NAMES, PROBES, strict=True))["sun"].tell({**right_three(), **fed, **slopes})

    assert told == (
        "L1 tracks PV with the wrong sign: +0.98 W per W of PV, right is −1.00 on L1 and 0.00 on L2 and L3"
        " (L2 +0.01, L3 0.00)"
    )
