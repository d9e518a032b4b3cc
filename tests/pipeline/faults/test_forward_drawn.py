"""Faults of many severities: whatever the room draws, the readings follow from the numbers drawn.

The algebra by hand, for each service, position and source, as in test_forward.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from still_home import LOAD_W, PV_W, SERVICES, SOURCES, home, slope, sound

from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.cts import Wiring, measure


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("service", SERVICES)
def test_a_loose_core_shrinks_the_answer_and_turns_it(service: str, source: str) -> None:
    """Gain k and lead d: k cos d of a load; of the sun the same, but on 120/208 whose current lies 30 degrees off."""
    circuit = home(service)
    for seed in range(5):
        for leg, off_deg in (("l1", 30.0), ("l2", -30.0)):
            if service == "single" and leg == "l2":
                continue
            rng = np.random.default_rng(seed)
            wiring = CATALOGUE["loose_core"].effect(sound(service, source), circuit, leg, rng)
            gain = wiring.cts("l1" if leg == "l1" else "l2")[0].gain
            lead = np.angle(gain)
            off = np.deg2rad(off_deg) if service == "120/208" else 0.0
            seen = abs(gain) * np.cos(lead + off) / np.cos(off)
            part = 1.0 if service == "single" else 0.5
            answer = 0.0 if source == "downstream" else -part * seen
            answer += part if source in ("added back", "clipped") else 0.0

            reading = measure(circuit, wiring)
            power, var = (reading.l1_w, reading.l1_var) if leg == "l1" else (reading.l2_w, reading.l2_var)

            night_w = LOAD_W[1 if leg == "l1" else 2] * abs(gain) * np.cos(lead)
            assert power == pytest.approx(
                np.maximum(night_w + answer * PV_W, 0 if source == "clipped" else -1e9)
            )
            assert var[0] < 0  # a load without reactive power seems to lead


@pytest.mark.parametrize("service", SERVICES)
@pytest.mark.parametrize("source", SOURCES)
def test_an_opposed_pair_hardly_answers_the_sun(service: str, source: str) -> None:
    circuit = home(service)
    for seed in range(8):
        rng = np.random.default_rng(seed)
        wiring = CATALOGUE["opposed_pair"].effect(sound(service, source, cts=2), circuit, "l1", rng)
        reading = measure(circuit, replace(wiring, is_clipped=False))
        part = 1.0 if service == "single" else 0.5
        added = part if source in ("added back", "clipped") else 0.0
        unequal = 0.0 if source == "downstream" else 0.2  # at most, of two parallel conductors' currents

        assert abs(slope(reading.l1_w) - added) <= unequal * part + 1e-9
        assert abs(reading.l1_w[0]) <= 0.2 * LOAD_W[1]
        if service != "single":
            unhurt = replace(sound(service, source, cts=2), is_clipped=False)
            assert reading.l2_w == pytest.approx(measure(circuit, unhurt).l2_w)


@pytest.mark.parametrize("service", SERVICES)
@pytest.mark.parametrize("source", SOURCES)
def test_an_intermittent_leg_reads_right_while_its_splice_conducts(service: str, source: str) -> None:
    circuit = home(service)
    right = measure(circuit, sound(service, source))
    wiring = CATALOGUE["intermittent"].effect(sound(service, source), circuit, "l1", np.random.default_rng(2))
    alive = wiring.cts("l1")[0].alive
    assert alive is not None
    assert 0 < np.mean(alive < 1) < 1

    reading = measure(circuit, wiring)

    assert reading.l1_w[alive == 1] == pytest.approx(right.l1_w[alive == 1])
    part = 1.0 if service == "single" else 0.5
    gone = part * PV_W if source in ("added back", "clipped") else 0 * PV_W  # what the source adds to nothing
    assert reading.l1_w[alive == 0] == pytest.approx(gone[alive == 0])


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("service", ["120/240", "120/208"])
def test_a_split_pair_takes_a_share_of_the_other_leg_and_an_offset(service: str, source: str) -> None:
    circuit = home(service)
    wiring = CATALOGUE["pickup_noise"].effect(sound(service, source), circuit, "l1", np.random.default_rng(4))
    quiet = replace(wiring, leaks={})
    leak = wiring.leaks["l1", "l2"]

    taken = (
        measure(circuit, replace(wiring, is_clipped=False)).l1_w
        - measure(circuit, replace(quiet, is_clipped=False)).l1_w
    )

    turn = np.deg2rad({"120/240": 180.0, "120/208": 120.0}[service])
    # conj(leak x I2) times V1: the load of leg 2 seen across, and minus what the inverter drives the other way
    of_load = LOAD_W[2] * (np.conj(leak) * np.exp(1j * turn)).real
    of_sun = -0.5 * (np.conj(leak) * np.exp(-1j * (np.pi - turn) / 2)).real / np.cos((np.pi - turn) / 2)
    answer = 0.0 if source == "downstream" else -of_sun
    assert taken == pytest.approx(of_load + answer * PV_W)
    assert 0.05 <= abs(leak) <= 0.30


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize(
    ("service", "by", "led", "leg", "shows", "sends"),
    [
        # what the leg shows of S, and what the production channel makes of one watt of that leg's load
        ("120/240", "line", 1, "l1", 0.5, 2.0),
        ("120/240", "line", 1, "l2", -0.5, -2.0),
        ("120/240", "leg", 1, "l1", 1.0, 1.0),
        ("120/240", "leg", 1, "l2", -1.0, -1.0),
        ("120/240", "line", 2, "l2", 0.5, 2.0),
        ("120/208", "line", 1, "l1", 0.5, 1.5),
        ("120/208", "leg", 1, "l1", 1.0, 1.0),
        ("120/208", "leg", 1, "l2", -1.0, -0.5),
        ("single", "leg", 1, "l1", 1.0, 1.0),
    ],
)
def test_exchanged_with_production(
    service: str, by: str, led: int, leg: str, shows: float, sends: float, source: str
) -> None:
    """The leg follows the sun, "production" carries the leg; a source that adds it back adds that."""
    circuit = home(service)
    right = replace(sound(service, source), is_clipped=False)
    metered = Wiring.sound(service, production_by=by, production_leg=led)  # type: ignore[arg-type]
    wiring = CATALOGUE["swapped_with_pv"].effect(
        replace(
            right,
            production=metered.production,
            production_by=metered.production_by,
            production_leg=metered.production_leg,
        ),
        circuit, leg, np.random.default_rng(0),
    )  # fmt: skip
    part = 1.0 if service == "single" else 0.5
    adds = part if source in ("added back", "clipped") else 0.0

    reading = measure(circuit, wiring)

    night = PV_W == 0
    own_w = LOAD_W[1 if leg == "l1" else 2]
    assert reading.pv_w[night] == pytest.approx(sends * own_w)
    power = reading.l1_w if leg == "l1" else reading.l2_w
    assert power - adds * reading.pv_w == pytest.approx(shows * PV_W, abs=1e-6)
    if source == "downstream":
        assert reading.pv_w == pytest.approx(sends * own_w)
