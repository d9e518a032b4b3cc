"""Orders of homes with one line, three lines, or one total of all lines: right, and in their own words."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from orders_example import Wish

from pipeline.core.services import leg_codes, service_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.workorder.order import Order

OrderOf = Callable[[Wish], Order]
OTHERS = [
    (service, name, leg)
    for service in ("230/400", "230")
    for name, fault in CATALOGUE.items()
    for leg in fault.legs_on(service)
    if service_of(service).line_count > 1 or name not in ("legs_crossed", "same_leg")
]


@pytest.mark.parametrize(("service", "name", "leg"), OTHERS)
def test_a_home_of_one_or_three_lines_has_a_whole_order_that_speaks_of_lines(
    service: str, name: str, leg: str, order_of: OrderOf
) -> None:
    order = order_of(Wish(name, leg, service=service))
    lines = service_of(service).line_count

    said = repr(order)
    assert not re.findall(r"\b[Ll]egs?\b(?!=)", re.sub(r"svg='.*?', caption", "", said))
    assert [code for code, _ in order.record.legs] == list(leg_codes(lines))
    assert all(set(finding.legs) <= set(leg_codes(lines)) for finding in order.record.findings)
    assert len(order.pictures) == 2
    if order.kind == "visit":
        loads = [row.right for row in order.expectations][:lines]
        names = ("L1", "L2", "L3")[:lines]
        assert [[row[name] for name in names] for row in loads] == [
            ["+1\u202f500 ± 150" if at == place else "0 ± 50" for at in range(lines)]
            for place in range(lines)
        ]
        sun = {1: "−2\u202f000 ± 200", 3: "−670 ± 70"}[lines]
        assert [order.expectations[lines].right[name] for name in names] == [sun] * lines
        assert bool(order.key.meanings) == (lines == 3)
    else:
        assert order.key.meanings == ()


def test_a_line_that_the_inverter_does_not_feed_stays_when_the_sun_comes(order_of: OrderOf) -> None:
    fed = {"pv_share_l1": 0.0, "pv_share_l2": 1.0, "pv_share_l3": 0.0}
    slopes = {"slope_l1": 0.0, "slope_l2": 1.0, "slope_l3": 0.0}
    order = order_of(Wish("reversed", "l2", service="230/400", signal=fed | slopes))
    sun = order.expectations[3]
    assert sun.right == {
        "L1": "0 ± 50", "L2": "−2\u202f000 ± 200", "L3": "0 ± 50", "production": "+2\u202f000 ± 200",
    }  # fmt: skip
    assert (sun.now["L1"], sun.now["L2"], sun.now["L3"]) == ("0", "+2\u202f000", "0")
    assert order.desk is not None
    assert order.desk.verifications[-1].then == "−1.00, at most 0.15 off"


def test_three_lines_with_readings_of_two_are_tested_as_those_two(order_of: OrderOf) -> None:
    order = order_of(Wish("reversed", "both", service="230/400", signal={"line_count": 2}))
    assert order.channels == ("L1", "L2")
    assert [code for code, _ in order.record.legs] == ["l1", "l2", "both"]
    assert order.key.meanings == ()
    assert dict(order.facts)["Service"] == "230/400 V, three lines, 200 A"


def test_one_total_of_three_lines_is_tested_on_each_line(order_of: OrderOf) -> None:
    total = {"lines_summed": True}
    order = order_of(Wish("reversed", "l1", service="230/400", register=total, signal={"line_count": 1}))
    (channel,) = order.channels
    assert channel == "total of all three lines"
    assert [row.switch.split(",")[0] for row in order.expectations[:3]] == [
        f"1\u202f500 W on an outlet of {line}" for line in ("L1", "L2", "L3")
    ]
    assert [row.right[channel] for row in order.expectations] == [
        *["+1\u202f500 ± 150"] * 3,
        "−2\u202f000 ± 200",
    ]
    assert {row.now[channel] for row in order.expectations[:3]} == {"−1\u202f500 or +1\u202f500"}
    assert "the one whose load reads wrong has the CT at fault" in order.known_load
    assert order.suspicion == "CT reversed"
    assert order.desk is None  # a sign for the total turns the right lines too
    assert dict(order.facts)["Source reports"] == "one total of all lines"


def test_the_likeliest_wirings_stand_on_the_sheet(order_of: OrderOf) -> None:
    wirings = (("l3+ l2+ l1+", 0.07), ("l2+ l1- l3+", 0.9), ("l1- l2+ l3+", 0.02), ("l1- l2- l3+", 0.01))
    order = order_of(Wish("legs_crossed", "l1+l2", service="230/400", wirings=wirings))
    assert order.wirings == (
        "90 %: CT of channel L1 is on line L2. CT of channel L2 is on line L1, turned. CT of channel L3 is right.",
        "7 %: CT of channel L1 is on line L3. CT of channel L3 is on line L1. CT of channel L2 is right.",
        "2 %: CT of channel L1 is turned, on its own line. CTs of channels L2 and L3 are right.",
    )
    assert order_of(Wish("legs_crossed", "both")).wirings == ()
