"""What the desk is told: the exact setting, from what to what, and how long the proof takes."""

from __future__ import annotations

from collections.abc import Callable

from orders_example import Wish

from pipeline.workorder.order import DeskFix, Order

OrderOf = Callable[[Wish], Order]


def desk(order: Order) -> DeskFix:
    assert order.desk is not None
    return order.desk


def test_a_ratio_is_set_to_the_rating_over_the_gain(order_of: OrderOf) -> None:
    """200 A configured, legs read 0.50 +- 0.01 of the truth: 200 / 0.5 = 400 A, +- 200 / 0.5^2 x 0.01 = 8 A."""
    half = {"slope_l1": -0.25, "slope_l2": -0.25}
    fix = desk(order_of(Wish("wrong_ratio", "both", signal=half)))

    change = fix.changes[0]
    assert "ct_amps" in change.setting
    assert change.now == "200 A by the site record"
    assert change.to == "400 ± 8 A by the data; the label decides"
    assert change.why == "both legs read 0.50 ± 0.01 times the true value, by the slope on PV"
    assert [item.then for item in fix.verifications] == ["−0.50, at most 0.07 off"] * 2
    assert fix.verifications[0].now == "−0.25 ± 0.01"


def test_the_utility_meter_speaks_before_the_sun(order_of: OrderOf) -> None:
    meter = {"meter_share": 0.9, "meter_gain_l1": 1.99, "meter_gain_l2": 2.01, "meter_gain_se": 0.004}
    fix = desk(order_of(Wish("wrong_ratio", "both", signal=meter, register={"ct_amps": 100.0})))

    assert fix.changes[0].to == "50 ± 0 A by the data; the label decides"
    assert fix.changes[0].why == "both legs read 2.000 ± 0.004 times the true value, by the utility meter"
    assert [item.now for item in fix.verifications[-2:]] == ["1.990 ± 0.004", "2.010 ± 0.004"]


def test_without_a_factor_or_a_rating_the_label_decides(order_of: OrderOf) -> None:
    blind = {"expected_gain": 0.0, "gain_sum": 0.0}
    fix = desk(
        order_of(Wish("wrong_ratio", "both", signal=blind, register={"ct_amps": None, "ct_sees_pv": False}))
    )

    assert fix.changes[0].now == "what is set now"
    assert fix.changes[0].to == "the rating on the CTs' labels"
    assert fix.verifications


def test_a_rating_that_the_register_lacks_is_told_as_a_factor(order_of: OrderOf) -> None:
    fix = desk(order_of(Wish("wrong_ratio", "both", register={"ct_amps": None})))
    assert fix.changes[0].to == "2.00 times what is set now"


def test_the_scope_is_turned_round(order_of: OrderOf) -> None:
    flat = {"slope_l1": 0.0, "slope_l2": 0.01}
    upstream = desk(order_of(Wish("wrong_scope", "both", signal=flat)))
    assert (upstream.changes[0].now, upstream.changes[0].to[:5]) == ("true", "false")
    assert upstream.verifications[0].then == "the same slope, expected 0.00"

    declared = {"ct_sees_pv": False}
    downstream = desk(
        order_of(Wish("wrong_scope", "both", register=declared, signal={"slope_expected": 0.0}))
    )
    assert (downstream.changes[0].now, downstream.changes[0].to[:4]) == ("false", "true")
    assert downstream.verifications[0].then == "the same slope, expected −0.50"
    assert downstream.verifications[0].nights == "the first night after the change"


def test_a_sign_setting_serves_until_the_visit_and_is_set_back_there(order_of: OrderOf) -> None:
    order = order_of(Wish("reversed", "l1", signal={"slope_l1": 0.5, "night_l1_w": -180.0}))

    assert order.kind == "visit"
    fix = desk(order)
    assert [(change.setting, change.now, change.to) for change in fix.changes] == [("sign of L1", "+1", "−1")]
    assert (fix.verifications[0].number, fix.verifications[0].now) == ("overnight baseload of L1", "−180 W")
    assert fix.verifications[1].now == "+0.50 ± 0.01"
    assert any("set back now" in step for step in order.steps)


def test_both_legs_a_single_line_and_a_battery(order_of: OrderOf) -> None:
    both = desk(order_of(Wish("reversed", "both")))
    assert [change.setting for change in both.changes] == ["sign of L1", "sign of L2"]
    single = desk(order_of(Wish("reversed", "both", service="single")))
    assert [change.setting for change in single.changes] == ["sign of L1"]
    assert single.verifications[-1].then.startswith("−1.00")
    with_battery = desk(order_of(Wish("reversed", "l2", register={"has_battery": True})))
    assert [item.number for item in with_battery.verifications] == ["slope of L2 on PV (W per W)"]


def test_crossed_legs_are_renamed_and_turned_on_120_240_only(order_of: OrderOf) -> None:
    fix = desk(order_of(Wish("legs_crossed", "both")))
    assert [change.to for change in fix.changes] == ["L2, L1", "−1"]
    assert order_of(Wish("legs_crossed", "both", service="120/208")).desk is None


def test_a_broken_splice_can_wait_for_nobody_at_the_desk(order_of: OrderOf) -> None:
    assert order_of(Wish("dead", "l1")).desk is None


def test_a_noisy_slope_takes_more_days(order_of: OrderOf) -> None:
    """25 days x (1.64 x 0.05 / 0.075)^2 = 29.9 days; at 0.01 it takes the three days of the setting."""
    noisy = desk(order_of(Wish("wrong_ratio", "both", signal={"slope_l1_se": 0.05})))
    assert noisy.verifications[0].nights == "after about 30 days of sun"
    assert noisy.verifications[1].nights == "after about 3 days of sun"


def test_three_lines_are_set_and_proved_line_by_line(order_of: OrderOf) -> None:
    """Each line carries a third of the production: -0.33, at most 15 % of that off."""
    half = dict.fromkeys(("slope_l1", "slope_l2", "slope_l3"), -1 / 6)
    fix = desk(order_of(Wish("wrong_ratio", "l1+l2+l3", service="230/400", signal=half)))
    assert (
        fix.changes[0].setting == "ct_amps (CT rating, all three lines) in the monitor and in the site record"
    )
    assert fix.changes[0].why == "all three lines read 0.50 ± 0.01 times the true value, by the slope on PV"
    assert [(item.number[:14], item.then) for item in fix.verifications] == [
        (f"slope of {line} on", "−0.33, at most 0.05 off") for line in ("L1", "L2", "L3")
    ]


def test_one_line_is_told_as_one(order_of: OrderOf) -> None:
    fix = desk(order_of(Wish("wrong_ratio", "both", service="230", signal={"slope_l1": -0.5})))
    assert fix.changes[0].setting == "ct_amps (CT rating) in the monitor and in the site record"
    assert fix.changes[0].why == "the line reads 0.50 ± 0.01 times the true value, by the slope on PV"
    assert [item.then for item in fix.verifications] == ["−1.00, at most 0.15 off"]
    order = order_of(Wish("wrong_ratio", "both", service="230"))
    assert order.suspicion == "CT ratio set wrong"
    assert order.story.endswith("the line is scaled.")


def test_the_scope_of_an_inverter_on_one_line_of_three_is_proved_on_that_line(order_of: OrderOf) -> None:
    fed = {"pv_share_l1": 0.0, "pv_share_l2": 1.0, "pv_share_l3": 0.0, "slope_expected": -1.0}
    flat = dict.fromkeys(("slope_l1", "slope_l2", "slope_l3"), 0.0)
    fix = desk(order_of(Wish("wrong_scope", "l1+l2+l3", service="230/400", signal=fed | flat)))
    (proof,) = fix.verifications
    assert (proof.number[:12], proof.now) == ("slope of L2 ", "0.00 ± 0.01, expected −1.00")
    loads = {"ct_sees_pv": False}
    up = desk(order_of(Wish("wrong_scope", "l1+l2+l3", service="230/400", signal=fed | flat, register=loads)))
    assert up.changes[0].why.endswith("CTs there would give 0.00 on L1 and L3, −1.00 on L2")


def test_a_sign_setting_serves_on_each_of_the_lines(order_of: OrderOf) -> None:
    fix = desk(order_of(Wish("reversed", "l1+l3", service="230/400")))
    assert [change.setting for change in fix.changes] == ["sign of L1", "sign of L3"]
    assert fix.changes[0].why == "the line reads the wrong way round"
    assert [item.number for item in fix.verifications] == [
        "overnight baseload of L1 and L3", "slope of L1 and L3 on PV (W per W)",
    ]  # fmt: skip
    assert fix.notes[1].endswith("or the line reads wrong again.")
