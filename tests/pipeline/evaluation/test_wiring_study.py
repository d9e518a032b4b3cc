"""The study of wirings: what stands in the README is what it finds, and it finds what the physics says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.evaluation.wiring_study import SCENES, kind_of, markdown, told_apart, wiring_study
from pipeline.probes.wirings import all_wirings

EUROPE = "230/400"
ON_THREE, ON_ONE, _, AT_LOADS = SCENES


def test_the_published_tables_are_those_of_the_study() -> None:
    readme = Path(__file__).parents[3] / "pipeline" / "scoring" / "README.md"

    assert markdown(scenes=(ON_THREE, ON_ONE, AT_LOADS)) in readme.read_text(encoding="utf-8")


def test_with_reactive_power_the_sun_tells_all_and_with_real_power_alone_two_rotations_look_alike() -> None:
    with_var = told_apart(EUROPE, ON_THREE, ["sun", "var"])
    watts = told_apart(EUROPE, ON_THREE, ["sun"])
    codes = [wiring.code for wiring in all_wirings(3)]
    one, other = codes.index("l2+ l3+ l1+"), codes.index("l3+ l1+ l2+")

    assert (with_var | np.eye(48, dtype=bool)).all()
    assert watts[1:, 0].all()
    assert not watts[one, other]


def test_at_the_loads_the_sun_tells_nothing() -> None:
    assert not told_apart(EUROPE, AT_LOADS, ["sun", "var"]).any()


def test_voltages_do_not_tell_three_rotated_cts_from_right() -> None:
    """Each reads a line that moves its pair's voltages the same way round, or not at all."""
    table = wiring_study(EUROPE, ON_THREE)

    rotated = table.filter(wiring="three rotated").row(0, named=True)
    assert (rotated["wirings"], rotated["sag"], rotated["all"]) == (2, 0, 2)


def test_every_wrong_wiring_is_counted_once_by_its_kind() -> None:
    table = wiring_study(EUROPE, AT_LOADS)

    assert table["wirings"][:-1].sum() == 47
    assert table["wirings"][-1] == 48
    for column in table.columns[2:]:
        assert (table[column] <= table["wirings"]).all()


@pytest.mark.parametrize(
    ("at", "kind"),
    [
        (0, "right"),
        (1, "one turned around"),
        (8, "two exchanged"),
        (47, "two exchanged, three turned around"),
    ],
)
def test_a_kind_says_what_is_wrong(at: int, kind: str) -> None:
    assert kind_of(all_wirings(3)[at]) == kind
