"""Which two pictures are drawn, and that what they say can be read without colour."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from orders_example import DAYS, Wish

from pipeline.faults.catalogue import CATALOGUE
from pipeline.workorder.order import Order

OrderOf = Callable[[Wish], Order]


@pytest.mark.parametrize("name", CATALOGUE)
def test_each_picture_is_drawn_and_told_in_numbers_or_words(name: str, order_of: OrderOf) -> None:
    pictures = order_of(Wish(name, CATALOGUE[name].legs_of(2)[0])).pictures
    assert len({picture.title for picture in pictures}) == 2
    for picture in pictures:
        assert picture.svg.startswith("<svg")
        assert picture.svg.count("<path") > 4
        assert len(picture.caption) > 20


def test_the_fault_chooses_its_pictures(order_of: OrderOf) -> None:
    titles = {
        fault: [picture.title for picture in order_of(Wish(fault, leg)).pictures]
        for fault, leg in (
            ("reversed", "l2"),
            ("same_leg", "l1"),
            ("swapped_with_pv", "l1"),
            ("intermittent", "l2"),
        )
    }
    assert titles == {
        "reversed": ["L2 against production", "Overnight baseload"],
        "same_leg": ["L2 against L1, hour by hour", "Slope on PV, day by day"],
        "swapped_with_pv": ["A mean day", "Overnight baseload"],
        "intermittent": ["Share of intervals at zero", "Overnight baseload"],
    }


def test_at_the_loads_the_sun_comes_last(order_of: OrderOf) -> None:
    pictures = order_of(Wish("opposed_pair", "l2", register={"ct_sees_pv": False})).pictures
    assert [picture.title for picture in pictures] == ["A mean day", "Overnight baseload"]


def test_the_onset_is_a_line_and_its_day_in_the_caption(order_of: OrderOf) -> None:
    picture = order_of(Wish("dead", "l2")).pictures[0]
    assert picture.caption.endswith("Dotted: 10 Jun 2026.")
    assert ">since 10 Jun" not in picture.svg


def test_a_single_line_draws_no_second_leg(order_of: OrderOf) -> None:
    pictures = order_of(Wish("reversed", "l1", service="single")).pictures
    assert "L2" not in " ".join(picture.caption for picture in pictures)


def test_legs_differ_in_shape(order_of: OrderOf) -> None:
    night = order_of(Wish("reversed", "l1")).pictures[1].svg
    marks = re.findall(r'aria-label="[^"]*leg: (L[12])[^"]*"[^>]*"point"[^>]* d="([^"]+)"', night)
    shapes = {leg: {outline for name, outline in marks if name == leg} for leg in ("L1", "L2")}
    assert len(marks) == 2 * DAYS
    assert all(shapes.values())
    assert shapes["L1"] & shapes["L2"] == set()


def test_three_lines_are_drawn_and_told_line_by_line(order_of: OrderOf) -> None:
    order = order_of(Wish("same_leg", "l3", service="230/400"))
    pair, slopes = order.pictures
    assert pair.title in ("L3 against L1, hour by hour", "L3 against L2, hour by hour")
    assert "it reads minus half of L" in pair.caption
    assert slopes.caption.startswith(
        "Slope on production: L1 −0.33 ± 0.01, L2 −0.33 ± 0.01, L3 −0.33 ± 0.01 W per W"
    )
    assert all(f">{line}<" in slopes.svg for line in ("L1", "L2", "L3"))


def test_where_lines_differ_what_is_right_is_in_the_caption_not_in_the_legend(
    order_of: OrderOf,
) -> None:
    fed = {"pv_share_l1": 0.0, "pv_share_l2": 0.5, "pv_share_l3": 0.5, "slope_expected": -0.5}
    order = order_of(Wish("same_leg", "l3", service="230/400", signal=fed, score=fed))
    slopes = order.pictures[1]
    assert "expected 0.00 on L1, −0.50 on L2 and L3" in slopes.caption
    assert ">dashed: right<" in slopes.svg
