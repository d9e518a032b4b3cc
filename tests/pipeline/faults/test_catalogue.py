"""The rooms of the catalogue: all found, each fits somewhere, each changes what it says it changes."""

import itertools

import numpy as np
import polars as pl
import pytest

from pipeline.core.contract import FAULTS
from pipeline.core.services import service_of
from pipeline.faults.catalogue import CATALOGUE, discover
from pipeline.faults.channels import Channels, Repair
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure

N = 7 * 96
T = np.arange(N)
RNG = np.random.default_rng(3)
LOADS_VA = np.array([RNG.uniform(150, 2500, N) + 1j * RNG.uniform(0, 500, N) for _ in range(2)])
PV_W = np.maximum(0.0, -np.cos(2 * np.pi * T / 96)) * RNG.uniform(500, 6000, N)
PV_W[PV_W < 50] = 0.0


def home(service, v1=120.0, v2=120.0):
    count = service_of(service).line_count
    volts = np.array([[v1], [v2]])[:count]
    return Circuit.from_powers(LOADS_VA[:count], PV_W, volts=volts, service=service, bundle_share=0.4)


def test_every_fault_of_the_contract_has_a_room_in_its_order():
    assert tuple(CATALOGUE) == FAULTS


def test_a_file_more_is_a_fault_more(tmp_path, monkeypatch):
    package = tmp_path / "annex"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "humming.py").write_text(
        "from dataclasses import replace\n"
        "from pipeline.faults.catalogue.dead import FAULT as DEAD\n"
        "FAULT = replace(DEAD, name='humming')\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    assert list(discover("annex", [str(package)])) == ["humming"]
    (package / "mute.py").write_text("from pipeline.faults.catalogue.dead import FAULT\n")
    with pytest.raises(ValueError, match=r"annex\.mute: its fault is named dead"):
        discover("annex", [str(package)])


@pytest.mark.parametrize("name", CATALOGUE)
@pytest.mark.parametrize("service", ["120/240", "120/208", "single"])
def test_every_fault_applies_wherever_it_fits_and_yields_numbers(name, service):
    fault, circuit = CATALOGUE[name], home(service)
    fitted = 0
    for sees_pv, count, by in itertools.product((True, False), (1, 2), ("line", "leg")):
        sound = Wiring.sound(service, sees_pv, count, production_by=by)
        if not fault.fits(sound, circuit):
            continue
        right = measure(circuit, sound)
        for leg in fault.legs_on(service):
            fitted += 1
            wiring = fault.effect(sound, circuit, leg, np.random.default_rng(fitted))
            reading = measure(circuit, wiring)
            changed = []
            for column in ("l1_w", "l2_w", "pv_w", "l1_var", "l2_var"):
                if column.startswith("l2") and service == "single":
                    continue
                values = getattr(reading, column)
                assert np.isfinite(values).all()
                changed.append(not np.array_equal(values, getattr(right, column)))
            is_record_only = name == "wrong_scope"
            assert any(changed) != is_record_only
            assert (wiring.declared_sees_pv != sound.declared_sees_pv) == is_record_only
            if leg == "l1" and name not in ("swapped_with_pv",):
                np.testing.assert_array_equal(reading.l2_w, right.l2_w)
            assert wiring.severity
    needs_two_legs = name in ("legs_crossed", "same_leg")
    assert bool(fitted) != (service == "single" and needs_two_legs)


def test_what_does_not_fit():
    dark = Circuit.from_powers(LOADS_VA, 0.0 * PV_W)
    for name in ("wrong_scope", "swapped_with_pv"):
        assert not CATALOGUE[name].fits(Wiring.sound(), dark)
    assert not CATALOGUE["opposed_pair"].fits(Wiring.sound(cts_per_leg=1), home("120/240"))


def restored(name, leg, service, wiring, repair, v1=120.0, v2=120.0):
    """Readings with the fault, put right again by its inverse; and those of the sound wiring."""
    circuit = home(service, v1, v2)
    fault = CATALOGUE[name]
    faulty = measure(circuit, fault.effect(wiring, circuit, leg, np.random.default_rng(1)))
    frame = pl.DataFrame(
        {c: getattr(faulty, c) for c in ("l1_w", "l2_w", "pv_w", "l1_var", "l2_var")}
    ).with_columns(l1_v=pl.lit(v1), l2_v=pl.lit(v2))
    fixed = fault.inverse(Channels.columns(), repair)
    return frame.select(**fixed._asdict()), measure(circuit, wiring)


@pytest.mark.parametrize("leg", ["l1", "l2", "both"])
def test_a_reversed_leg_is_put_right_exactly(leg):
    fixed, right = restored("reversed", leg, "120/208", Wiring.sound("120/208"), Repair(leg))
    for column in ("l1_w", "l2_w", "l1_var", "l2_var", "pv_w"):
        np.testing.assert_allclose(fixed[column], getattr(right, column))


@pytest.mark.parametrize("service", ["120/240", "120/208"])
def test_crossed_legs_are_put_right_exactly_with_their_voltages(service):
    fixed, right = restored(
        "legs_crossed", "both", service, Wiring.sound(service), Repair("both", service), v1=123.0, v2=117.5
    )
    for column in ("l1_w", "l2_w", "l1_var", "l2_var", "pv_w"):
        np.testing.assert_allclose(fixed[column], getattr(right, column), atol=1e-6)


def test_a_wrong_ratio_is_divided_away():
    circuit, sound = home("120/240"), Wiring.sound()
    ratio = CATALOGUE["wrong_ratio"].effect(sound, circuit, "both", np.random.default_rng(1)).ratio
    assert ratio != 1.0
    fixed, right = restored("wrong_ratio", "both", "120/240", sound, Repair("both", ratio=ratio))
    np.testing.assert_allclose(fixed["l1_w"], right.l1_w)
    np.testing.assert_allclose(fixed["l2_var"], right.l2_var)


@pytest.mark.parametrize(
    ("leg", "by", "led", "factor"),
    [("l1", "line", 1, 2.0), ("l2", "line", 2, 2.0), ("l2", "line", 1, -2.0), ("l1", "leg", 1, 1.0)],
)
def test_an_exchanged_production_clamp_is_put_back_exactly(leg, by, led, factor):
    wiring = Wiring.sound(production_by=by, production_leg=led)
    repair = Repair(leg, production_factor=factor)
    fixed, right = restored("swapped_with_pv", leg, "120/240", wiring, repair)
    for column in ("l1_w", "l2_w", "pv_w"):
        np.testing.assert_allclose(fixed[column], getattr(right, column), atol=1e-6)
    assert fixed[f"{leg}_var"].null_count() == N


def test_only_exact_inverses_are_offered():
    offered = {name for name, fault in CATALOGUE.items() if fault.inverse}
    assert offered == {"reversed", "legs_crossed", "wrong_ratio", "swapped_with_pv"}


def test_each_room_tells_an_installer_what_to_do():
    for fault in CATALOGUE.values():
        assert fault.story.endswith(".")
        assert fault.remedy.prove
        assert fault.remedy.habit
        assert (fault.remedy.fix_by == "office") == (fault.remedy.bring == ())
        assert 5 <= fault.remedy.minutes <= 60
