"""The likeliest wirings of three CTs as items of `nightclamp explain`."""

from __future__ import annotations

from pipeline.commands.explain_wirings import wiring_lines

RIGHT = {"parts": ["CTs of channels L1, L2 and L3 are right."], "likelihood": 0.06}
TURNED = {
    "parts": ["CT of channel L2 is turned, on its own line.", "L1 and L3 are right."],
    "likelihood": 0.9,
}
LOOK = "the arrow of the CT of channel L2: towards the load, or turned around"


def test_each_wiring_is_told_with_its_likelihood_then_the_rest_and_what_tells_the_first_two_apart() -> None:
    assert list(wiring_lines({"rows": [TURNED, RIGHT], "rest": "4 %", "look_at": LOOK})) == [
        "90 %: CT of channel L2 is turned, on its own line. L1 and L3 are right.",
        "6 %: CTs of channels L1, L2 and L3 are right.",
        "4 %: all other wirings together.",
        f"To tell the first two apart on site: {LOOK}.",
    ]


def test_one_wiring_has_nothing_to_be_told_from_and_other_homes_have_none() -> None:
    (only,) = wiring_lines({"rows": [TURNED], "rest": None, "look_at": LOOK})
    assert only.startswith("90 %")
    assert list(wiring_lines(None)) == []
