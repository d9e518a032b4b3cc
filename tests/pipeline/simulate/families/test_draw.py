"""Fleets as drawn: every fault and every hard negative, evenly, on homes that they fit."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from pipeline.core.errors import InputError
from pipeline.faults.catalogue import CATALOGUE
from pipeline.simulate.families.draw import HARD, areas, draw_fleet, right_wiring
from pipeline.simulate.families.spec import UnlikeSpec

SPEC = UnlikeSpec(sites=700, days=14, fault_share=0.3, hard_share=0.3)


@pytest.fixture(scope="module")
def homes():
    return [home for street in draw_fleet(SPEC) for home in street]


def test_every_fault_and_every_hard_negative_occurs_evenly(homes):
    faults = Counter(home.fault for home in homes if home.fault != "sound")
    hard = Counter(home.hard for home in homes if home.hard)

    assert set(faults) == set(CATALOGUE)
    assert sum(faults.values()) == 210
    assert max(faults.values()) - min(faults.values()) <= 1
    assert set(hard) == set(HARD)
    assert sum(hard.values()) == 210
    assert max(hard.values()) - min(hard.values()) <= 4


def test_hard_negatives_are_sound_and_faults_fit(homes):
    assert all(home.fault == "sound" for home in homes if home.hard)
    for home in homes:
        if home.fault != "sound":
            assert home.leg in CATALOGUE[home.fault].legs_on(home.service)
        if home.fault == "opposed_pair":
            assert len(right_wiring(home).cts("l1")) == 2
        if home.hard == "crossed_and_turned":
            assert home.service == "120/240"


def test_some_faults_begin_inside_the_window(homes):
    onsets = np.array([home.onset_min for home in homes if home.fault not in ("sound", "wrong_scope")])

    assert 0.1 < np.mean(onsets > 0) < 0.45
    assert onsets.max() < SPEC.steps
    assert onsets[onsets > 0].min() >= 2 * 1440


def test_services_positions_and_columns_are_mixed(homes):
    services = Counter(home.service for home in homes)

    assert services["120/240"] > 0.6 * len(homes)
    assert min(services["120/208"], services["single"]) > 0
    for fact in ("sees_pv", "added_back", "is_clipped", "has_volts", "has_var", "has_meter", "has_ev"):
        assert 0.01 < np.mean([getattr(home, fact) for home in homes]) < 0.95, fact
    assert 0.85 < np.mean([home.roof is not None for home in homes]) < 1


def test_streets_are_of_one_service_and_numbers_run_on(homes):
    for street in draw_fleet(SPEC):
        assert len({(home.service, home.area) for home in street}) == 1
    assert [home.number for home in homes] == list(range(700))


def test_only_the_named_faults_and_voltages_are_drawn():
    spec = UnlikeSpec(sites=80, fault_share=0.5, hard_share=0.0, faults=("dead",), with_volts=True)

    homes = [home for street in draw_fleet(spec) for home in street]

    assert {home.fault for home in homes} == {"sound", "dead"}
    assert all(home.has_volts for home in homes)


def test_homes_of_family_weather_report_other_columns(homes):
    weather = [home for street in draw_fleet(replace(SPEC, family="weather")) for home in street]

    for fact, share in (("has_volts", 0.7), ("has_var", 0.4), ("has_meter", 0.25)):
        plain = [home for home in weather if home.hard != "loose_neutral"]
        assert np.mean([getattr(home, fact) for home in plain]) == pytest.approx(share, abs=0.06)
    assert [home.service for home in weather] == [home.service for home in homes]


def test_areas_know_their_zone():
    offsets = {area.timezone: area.offset_min for area in areas(SPEC)}

    assert offsets["America/Denver"] == -360
    assert offsets["Pacific/Honolulu"] == -600


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"sites": 0}, "sites"),
        ({"minutes": 7}, "minutes"),
        ({"fault_share": 0.8, "hard_share": 0.5}, "share"),
        ({"faults": ("gremlin",)}, "gremlin"),
        ({"family": "circus"}, "circus is no family of fleets: choose one of crest, weather, measured"),
    ],
)
def test_a_spec_that_cannot_be_built_is_refused_in_one_line(wrong, word):
    with pytest.raises(InputError, match=word) as said:
        UnlikeSpec(**wrong)
    assert "\n" not in str(said.value)
