"""The energy each fault misreports a day, against circuits whose truth is known."""

import numpy as np
import polars as pl
import pytest
from energy_columns import energy_columns

from pipeline.core.services import service_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure
from pipeline.faults.energy_error import HOME_KWH_DAY, MOST_KWH_DAY

DAYS = 7
N = DAYS * 96
RNG = np.random.default_rng(11)
HOUR = np.arange(N) % 96 / 4
EVENING = 1 + 2 * np.exp(-((HOUR - 19) ** 2) / 8)
LOADS_W = np.array([RNG.gamma(2.0, level, N) * EVENING for level in (130, 110)])
THIRD_W = np.random.default_rng(12).gamma(2.0, 120, N) * EVENING
PV_W = 5200 * np.maximum(0.0, np.sin((HOUR - 6) / 12 * np.pi)) ** 1.3 * RNG.uniform(0.5, 1, N)
NEEDS = sorted(energy_columns(2) | energy_columns(3))
TEXT_OR_BOOL = {"service": pl.String, "is_declared_upstream": pl.Boolean, "is_added_back": pl.Boolean}


def kwh_day(power_w):
    return float(np.abs(power_w).sum() / 4 / 1000 / DAYS)


def signals(**known):
    """One home's row of site_signal with what the formulas read; what is not told is null."""
    row = dict.fromkeys(NEEDS) | {"service": "120/240", "is_declared_upstream": True, "is_added_back": False}
    schema = {name: TEXT_OR_BOOL.get(name, pl.Float64) for name in NEEDS}
    return pl.DataFrame([row | known], schema=schema)


def loads_of(service):
    return np.vstack([LOADS_W, THIRD_W])[: service_of(service).line_count]


def told_and_true(name, leg, wiring=None, service="120/240", **known):
    """What the room says of a faulty home [kWh/day], and |reading - truth| over legs and production."""
    circuit = Circuit.from_powers(loads_of(service), PV_W, service=service)
    wiring = wiring or Wiring.sound(service)
    fault = CATALOGUE[name]
    broken = fault.effect(wiring, circuit, leg, np.random.default_rng(5))
    right, now = measure(circuit, wiring), measure(circuit, broken)
    true = float(
        np.nansum([kwh_day(getattr(now, c) - getattr(right, c)) for c in ("l1_w", "l2_w", "l3_w", "pv_w")])
    )
    seen = signals(
        **{f"l{line}_kwh_day": np.nan_to_num(kwh_day(now.line_w(line))) for line in (1, 2, 3)},
        pv_kwh_day=float(now.pv_w.sum() / 4 / 1000 / DAYS), service=service,
        is_declared_upstream=wiring.declared_sees_pv, **known,
    )  # fmt: skip
    return seen.select(fault.energy_kwh_day(leg, service_of(service).line_count)).item(), true


@pytest.mark.parametrize("line_count", [1, 2, 3])
def test_no_formula_asks_for_a_line_that_a_home_has_not(line_count):
    of_line_3 = {name for name in energy_columns(line_count) if "l3" in name or name.endswith(("_23", "_31"))}
    assert bool(of_line_3) == (line_count == 3)


@pytest.mark.parametrize("name", CATALOGUE)
def test_of_a_leg_that_it_cannot_have_the_least_of_its_legs_counts(name):
    fault, seen = CATALOGUE[name], signals(l1_kwh_day=9.0, l2_kwh_day=4.0, pv_kwh_day=20.0)
    of_legs = [seen.select(fault.energy_kwh_day(leg, 2)).item() for leg in fault.legs_of(2)]
    for leg in (None, "l3", "l1+l3"):
        assert seen.select(fault.energy_kwh_day(leg, 2)).item() == min(of_legs)


@pytest.mark.parametrize("leg", ["l1", "l2", "both"])
def test_a_reversed_leg_misreports_twice_its_energy(leg):
    told, true = told_and_true("reversed", leg)
    assert told == pytest.approx(true)


@pytest.mark.parametrize("sees_pv", [True, False])
@pytest.mark.parametrize("service", ["120/240", "120/208"])
def test_crossed_legs_misreport_twice_what_they_read_or_three_times(service, sees_pv):
    told, true = told_and_true("legs_crossed", "both", Wiring.sound(service, sees_pv), service)
    assert told == pytest.approx(true, rel=0.05)


@pytest.mark.parametrize("seen_by", ["gain_sum", "meter_gain_l1"])
def test_a_wrong_ratio_misreports_by_the_factor(seen_by):
    circuit = Circuit.from_powers(LOADS_W, PV_W)
    broken = CATALOGUE["wrong_ratio"].effect(Wiring.sound(), circuit, "both", np.random.default_rng(5))
    known = {seen_by: broken.ratio, "gain_sum_se": 0.02, "meter_r2": 0.99}
    told, true = told_and_true("wrong_ratio", "both", **known)
    assert told == pytest.approx(true)


@pytest.mark.parametrize("sees_pv", [True, False])
@pytest.mark.parametrize("led", [1, 2])
@pytest.mark.parametrize("leg", ["l1", "l2"])
def test_exchanged_leads_misreport_on_the_leg_and_on_production(sees_pv, leg, led):
    wiring = Wiring.sound(ct_sees_pv=sees_pv, production_leg=led)
    known = {f"sky_corr_{leg}": 0.9 if leg == f"l{led}" else -0.9}
    told, true = told_and_true("swapped_with_pv", leg, wiring, **known)
    assert told == pytest.approx(true, rel=0.15)


@pytest.mark.parametrize("led", [1, 2])
def test_exchanged_leads_of_a_folded_production_clamp_show_on_the_leg_as_all_of_it(led):
    wiring = Wiring.sound(production_by="leg", production_leg=led)
    told, true = told_and_true("swapped_with_pv", "l1", wiring, sky_corr_l1=0.9 if led == 1 else -0.9)
    assert told == pytest.approx(true, rel=0.15)


@pytest.mark.parametrize("sees_pv", [True, False])
def test_exchanged_leads_of_a_single_line_are_a_plain_exchange(sees_pv):
    wiring = Wiring.sound("single", ct_sees_pv=sees_pv)
    told, true = told_and_true("swapped_with_pv", "l1", wiring, "single", sky_corr_l1=0.9)
    assert told == pytest.approx(true, rel=0.2)


@pytest.mark.parametrize(
    ("name", "leg", "within", "known"),
    [
        ("reversed", "l3", 1e-6, {}),
        ("reversed", "l1+l3", 1e-6, {}),
        ("reversed", "l1+l2+l3", 1e-6, {}),
        ("legs_crossed", "l2+l3", 0.1, {}),
        ("legs_crossed", "l1+l2+l3", 0.1, {}),
        ("dead", "l2", 0.3, {}),
        ("dead", "l1+l2", 0.3, {}),
        ("same_leg", "l3", 0.35, {}),
        ("swapped_with_pv", "l1", 0.3, {"sky_corr_l1": 0.9}),
        ("wrong_ratio", "l1+l2+l3", 1e-6, {"gain_sum": 0.25, "gain_sum_se": 0.01}),
    ],
)
@pytest.mark.parametrize("sees_pv", [True, False])
def test_on_three_lines(name, leg, within, known, sees_pv):
    told, true = told_and_true(name, leg, Wiring.sound("230/400", sees_pv), "230/400", **known)
    assert told == pytest.approx(true, rel=within)


def test_the_part_seen_of_a_third_line_is_told_by_either_pair():
    partial = CATALOGUE["partial"].energy_kwh_day("l3", 3)
    energy = {"l3_kwh_day": 6.0}
    by_23 = {"pair_log_ratio_23": float(np.log(0.6)), "pair_n_23": 40.0, "pair_log_se_23": 0.02}
    by_31 = {"pair_log_ratio_31": float(np.log(1 / 0.7)), "pair_n_31": 40.0, "pair_log_se_31": 0.02}
    for known, part in ((by_23, 0.6), (by_31, 0.7), ({"gain_l3": 0.8, "gain_l3_se": 0.02}, 0.8)):
        assert signals(**energy, **known).select(partial).item() == pytest.approx(6 * (1 / part - 1))


def test_a_wrong_record_misreports_the_production():
    told, _ = told_and_true("wrong_scope", "both")
    assert told == pytest.approx(kwh_day(PV_W))


def test_a_reversed_leg_that_was_clipped_misreports_what_it_hides():
    wiring = Wiring.sound(pv_added_back=True, is_clipped=True)
    told, true = told_and_true("reversed", "l1", wiring, is_added_back=True)
    assert told == pytest.approx(true, rel=0.3)


@pytest.mark.parametrize(("name", "within"), [("partial", 1e-6), ("loose_core", 0.1)])
@pytest.mark.parametrize("leg", ["l1", "l2"])
def test_a_leg_read_low_misses_what_its_gain_says(name, within, leg):
    circuit = Circuit.from_powers(LOADS_W, PV_W)
    ct = CATALOGUE[name].effect(Wiring.sound(), circuit, leg, np.random.default_rng(5)).cts(leg)[0]
    known = {f"gain_{leg}": (ct.source * ct.gain).real, f"gain_{leg}_se": 0.02}
    told, true = told_and_true(name, leg, **known)
    assert told == pytest.approx(true, rel=within)


@pytest.mark.parametrize(
    ("name", "leg", "within", "known"),
    [("dead", "l2", 0.3, {}), ("same_leg", "l1", 0.35, {"mirror_share": 0.97, "equal_share": 0.01})],
)
def test_a_leg_not_seen_is_estimated_by_the_other(name, leg, within, known):
    told, true = told_and_true(name, leg, **known)
    assert told == pytest.approx(true, rel=within)


def test_dropouts_miss_their_share_of_the_time():
    circuit = Circuit.from_powers(LOADS_W, PV_W)
    broken = CATALOGUE["intermittent"].effect(Wiring.sound(), circuit, "both", np.random.default_rng(5))
    known = {f"lone_zero_{x}_share": float(1 - broken.cts(x)[0].alive.mean()) for x in ("l1", "l2")}
    told, true = told_and_true("intermittent", "both", **known)
    assert told == pytest.approx(true, rel=0.5)


def test_dropouts_shorter_than_an_interval_leave_no_zero_but_count():
    seen = signals(l1_kwh_day=19.0, lone_zero_l1_share=0.0, drop_l1_day=0.0, length_min=15.0)
    assert seen.select(CATALOGUE["intermittent"].energy_kwh_day("l1", 2)).item() == pytest.approx(1.0)


def test_opposed_pairs_stand_for_the_leg_by_the_other():
    told, true = told_and_true("opposed_pair", "l1", Wiring.sound(ct_sees_pv=False, cts_per_leg=2))
    assert told == pytest.approx(true, rel=0.3)


def test_pickup_adds_what_leaks_in_and_what_wanders():
    seen = signals(leak_l1=-0.2, l1_night_wander=200.0, l2_kwh_day=10.0)
    told = seen.select(CATALOGUE["pickup_noise"].energy_kwh_day("l1", 2)).item()
    assert told == pytest.approx(0.2 * 10 + 0.024 * 0.31 * 200)


def test_the_part_seen_is_read_off_the_best_probe_there_is():
    partial = CATALOGUE["partial"].energy_kwh_day("l1", 2)
    energy = {"l1_kwh_day": 6.0}
    by_meter = {"meter_gain_l1": 0.75, "meter_r2": 0.9, "meter_gain_se": 0.02}
    by_pairs = {"pair_log_ratio": float(np.log(1 / 0.6)), "pair_n": 40.0, "pair_log_se": 0.02}
    by_sun = {"gain_l1": 0.25, "gain_l1_se": 0.05}
    for known, part in (({}, 0.5), (by_pairs, 0.6), (by_pairs | by_meter, 0.75), (by_meter | by_sun, 0.25)):
        assert signals(**energy, **known).select(partial).item() == pytest.approx(6 * (1 / part - 1))
    blurred = signals(**energy, gain_l1=0.25, gain_l1_se=0.4)
    assert blurred.select(partial).item() == pytest.approx(6)


def test_nothing_seen_on_either_leg_counts_as_an_average_home():
    dead = CATALOGUE["dead"].energy_kwh_day
    assert signals().select(dead("both", 2)).item() == HOME_KWH_DAY
    assert signals(service="single").select(dead("l1", 1)).item() == HOME_KWH_DAY
    assert signals(l1_kwh_day=0.1).select(dead("l2", 2)).item() == HOME_KWH_DAY / 2


@pytest.mark.parametrize("value", [None, float("nan"), float("inf"), -float("inf"), 0.0, -3.0, 1.0, 1e9])
@pytest.mark.parametrize("service", ["120/240", "120/208", "single", "230/400", None])
def test_whatever_the_signals_it_is_a_finite_number_and_never_negative(value, service):
    known = {name: value for name in NEEDS if name not in TEXT_OR_BOOL}
    flags = dict.fromkeys(("is_declared_upstream", "is_added_back"), None if value is None else value == 1.0)
    told = signals(**known, **flags, service=service).select(
        fault.energy_kwh_day(leg, service_of(service).line_count).alias(f"{name} {leg}")
        for name, fault in CATALOGUE.items()
        for leg in (*fault.legs_on(service), None)
    )
    assert all(0 <= amount <= MOST_KWH_DAY for amount in told.row(0))
