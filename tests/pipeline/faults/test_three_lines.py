"""What every fault does to the readings of a home with three lines, by hand, from loads that stand still.

An upstream line is L - S/3 where the inverter feeds all three, L - S on the one line that it feeds; a current by the
voltage of another line reads minus half of its power where it has a power factor of 1.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.core.services import LINES, SERVICES, leg_codes, lines_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit, line_to_line_va
from pipeline.faults.cts import Wiring, measure
from pipeline.faults.permutations import orders_of

THREE = [name for name, service in SERVICES.items() if service.line_count == 3]
N = 48
PV_W = np.where(np.arange(N) < N // 2, 0.0, np.linspace(500, 6000, N))
LOADS_W = np.full((3, N), [[900.0], [400.0], [650.0]])
LEGS = leg_codes(3)


def home(service: str = "230/400", pv_lines: tuple[str, ...] | None = None) -> Circuit:
    return Circuit.from_powers(LOADS_W, PV_W, service=service, pv_lines=pv_lines)


def broken(fault: str, leg: str, sound: Wiring, seed: int = 0, circuit: Circuit | None = None) -> Wiring:
    return CATALOGUE[fault].effect(sound, circuit or home(), leg, np.random.default_rng(seed))


def slopes(reading_va: np.ndarray) -> list[float]:
    return [float(np.polyfit(PV_W, va.real, 1)[0]) for va in reading_va]


@pytest.mark.parametrize("service", THREE)
def test_sound_lines_fall_by_their_part_of_production(service: str) -> None:
    for pv_lines, part in ((None, [1 / 3] * 3), (("l2",), [0, 1, 0]), (("l1", "l3"), [0.5, 0, 0.5])):
        circuit = home(service, pv_lines)
        for by, led in (("line", 1), ("leg", 2), ("leg", 3)):
            sound = Wiring.sound(service, pv_lines=pv_lines, production_by=by, production_leg=led)  # type: ignore[arg-type]
            reading = measure(circuit, sound)
            assert slopes(reading.va) == pytest.approx([-share for share in part], abs=1e-9)
            assert reading.pv_w == pytest.approx(PV_W)
        around = measure(circuit, Wiring.sound(service, ct_sees_pv=False))
        assert np.array([around.line_w(line) for line in (1, 2, 3)]) == pytest.approx(LOADS_W)


@pytest.mark.parametrize("leg", LEGS)
def test_reversed_turns_each_line_of_the_leg(leg: str) -> None:
    right, wrong = (
        measure(home(), wiring).va
        for wiring in (Wiring.sound("230/400"), broken("reversed", leg, Wiring.sound("230/400")))
    )
    signs = [-1 if line in lines_of(leg, 3) else 1 for line in LINES]
    assert wrong == pytest.approx(right * np.array(signs)[:, None])


@pytest.mark.parametrize("leg", [leg for leg in LEGS if len(lines_of(leg, 3)) > 1])
def test_crossed_lines_read_minus_half_of_another(leg: str) -> None:
    seen = set()
    for seed in range(12):
        wiring = broken("legs_crossed", leg, Wiring.sound("230/400"), seed)
        order = tuple(ct.line for ct, *_ in wiring.channels)
        reading = measure(home(), wiring)
        for line, on in enumerate(order, start=1):
            times = 1.0 if line == on else -0.5
            assert reading.line_w(line) == pytest.approx(times * (LOADS_W[on - 1] - PV_W / 3))
        seen.add((order, wiring.severity))
    assert {order for order, _ in seen} == set(orders_of(leg, 3))
    assert len({words for _, words in seen}) == len(seen)


@pytest.mark.parametrize("leg", LINES)
def test_two_cts_on_one_line_are_any_two(leg: str) -> None:
    own, seen = LINES.index(leg) + 1, set()
    for seed in range(40):
        wiring = broken("same_leg", leg, Wiring.sound("230/400"), seed)
        (ct,) = wiring.cts(leg)
        sign = 0.5 if ct.is_turned else -0.5
        assert measure(home(), wiring).line_w(own) == pytest.approx(sign * (LOADS_W[ct.line - 1] - PV_W / 3))
        seen.add((ct.line, ct.is_turned))
    assert seen == {(line, turned) for line in (1, 2, 3) if line != own for turned in (True, False)}


@pytest.mark.parametrize("leg", LEGS)
def test_silence_parts_and_dropouts_touch_just_the_lines_of_the_leg(leg: str) -> None:
    sound = Wiring.sound("230/400", cts_per_leg=2)
    right = measure(home(), sound).va
    for fault in ("dead", "partial", "opposed_pair", "loose_core", "intermittent", "pickup_noise"):
        wrong = measure(home(), broken(fault, leg, sound)).va
        touched = [LINES[at] for at in range(3) if not np.array_equal(wrong[at], right[at])]
        assert tuple(touched) == lines_of(leg, 3), fault


def test_a_lead_picks_up_one_of_the_other_lines_drawn() -> None:
    drawn = [broken("pickup_noise", "l2", Wiring.sound("230/400"), seed).leaks for seed in range(20)]
    assert {tuple(leaks) for leaks in drawn} == {(("l2", "l1"),), (("l2", "l3"),)}


def test_a_wrong_ratio_is_on_all_lines() -> None:
    right = measure(home(), Wiring.sound("230/400")).va
    wiring = broken("wrong_ratio", "l1+l2+l3", Wiring.sound("230/400"))
    assert measure(home(), wiring).va == pytest.approx(wiring.ratio * right)


@pytest.mark.parametrize("led", [1, 2, 3])
def test_exchanged_with_production_of_three_lines(led: int) -> None:
    sound = Wiring.sound("230/400", production_leg=led)
    own = LINES[led - 1]
    reading = measure(home(), broken("swapped_with_pv", own, sound))
    assert reading.line_w(led) == pytest.approx(PV_W / 3)
    assert reading.pv_w == pytest.approx(3 * (LOADS_W[led - 1] - PV_W / 3))
    other = led % 3 + 1
    across = measure(home(), broken("swapped_with_pv", LINES[other - 1], sound))
    assert across.line_w(other) == pytest.approx(-PV_W / 6)


@pytest.mark.parametrize("service", SERVICES)
def test_a_summing_monitor_reads_all_lines_and_a_turned_ct_a_difference(service: str) -> None:
    lines = SERVICES[service].line_count
    circuit = Circuit.from_powers(LOADS_W[:lines], PV_W, service=service)
    summed = Wiring.sound(service, is_summed=True)
    whole = measure(circuit, summed)
    net_w = LOADS_W[:lines].sum(axis=0) - PV_W

    assert whole.l1_w == pytest.approx(net_w)
    assert np.isnan(whole.l2_w).all()
    for leg in SERVICES[service].lines:
        turned = measure(circuit, broken("reversed", leg, summed, circuit=circuit)).l1_w
        one_w = LOADS_W[LINES.index(leg)] - PV_W / lines
        assert turned == pytest.approx(net_w - 2 * one_w)
    added = measure(circuit, replace(summed, pv_added_back=True))
    assert added.l1_w == pytest.approx(net_w + PV_W)


def test_a_source_adds_production_back_in_equal_parts() -> None:
    reading = measure(home(), Wiring.sound("230/400", pv_added_back=True))
    assert np.array([reading.line_w(line) for line in (1, 2, 3)]) == pytest.approx(LOADS_W)


@pytest.mark.parametrize("service", THREE)
def test_a_load_of_three_lines_takes_a_third_of_each(service: str) -> None:
    """A motor: a third on each line, with its reactive power; between two lines as on two lines of a wye."""
    motor = line_to_line_va(np.array([3000 + 1500j]), SERVICES[service].volts, service=service)
    assert motor[:, 0] == pytest.approx([1000 + 500j] * 3)
    heater = line_to_line_va(
        np.array([3000 + 0j]), SERVICES[service].volts, service=service, lines=("l2", "l3")
    )
    assert heater[:, 0] == pytest.approx([0, 1500 - 1500j / np.sqrt(3), 1500 + 1500j / np.sqrt(3)])


def test_what_is_no_order_and_what_are_no_loads() -> None:
    with pytest.raises(ValueError, match="no order of 3 lines"):
        Wiring.sound("230/400").permuted((2, 1))
    with pytest.raises(ValueError, match="has 3 lines"):
        Circuit.from_powers(LOADS_W[:2], PV_W, service="230/400")


def test_legs_of_every_number_of_lines() -> None:
    legs = {name: [fault.legs_of(count) for count in (1, 2, 3)] for name, fault in CATALOGUE.items()}
    assert legs["dead"] == [("l1",), ("l1", "l2", "both"), LEGS]
    assert legs["same_leg"] == [("l1",), ("l1", "l2"), LINES]
    assert legs["legs_crossed"][1:] == [("both",), ("l1+l2", "l1+l3", "l2+l3", "l1+l2+l3")]
    assert legs["wrong_scope"] == [("both",), ("both",), ("l1+l2+l3",)]
