"""Loads dealt to legs and bundles: an event of one appliance steps one leg, a 240 V one both."""

import dataclasses

import numpy as np
import pytest

from pipeline.simulate.families.crest import SLOTS, read_household
from pipeline.simulate.families.draw import areas, draw_fleet
from pipeline.simulate.families.loads import draw_loads
from pipeline.simulate.families.spec import UnlikeSpec

SPEC = UnlikeSpec(sites=60, days=2, fault_share=0.0, hard_share=0.0)
KETTLE, HOB, FRIDGE = 22, 19, 2
AIR_C = np.full(SPEC.steps, 19.0)  # neither heats nor cools
AT = 700  # minute of the local day at which the kettle boils


def _pool(folder, slot, watts, at=AT):
    power = np.zeros((10, SLOTS, 1440), dtype=np.uint16)
    power[:, slot, at : at + 3] = watts
    np.save(folder / "power-0.npy", power)
    np.save(folder / "people-0.npy", np.zeros((10, 144), dtype=np.uint16))
    read_household.cache_clear()
    return folder


def _home(service="120/240", **facts):
    homes = [home for street in draw_fleet(SPEC) for home in street if home.service == service]
    return dataclasses.replace(homes[0], has_ev=False, **facts)


def _stepped(pool, home, seed):
    """Which of the six groups rise at the event, and by how much [W], for a home without a tank."""
    area = areas(SPEC)[home.area]
    for draw in range(seed, seed + 40):
        loads = draw_loads(SPEC, home, area, air_c=AIR_C, pool=pool, rng=np.random.default_rng(draw))
        if loads.va[4:].real.min() >= 0:
            at = int(np.flatnonzero(area.local_minutes(SPEC.steps) % 1440 == AT)[0])
            yield (loads.va[:, at] - loads.va[:, at - 2]).real


def test_a_kettle_steps_one_bundle_of_one_leg(tmp_path):
    pool = _pool(tmp_path, KETTLE, 2000)

    steps = list(_stepped(pool, _home(), 0))

    for rise in steps:
        assert np.count_nonzero(rise[:4]) == 1
        assert 1000 < rise[:4].max() < 1900
    assert {int(np.argmax(rise[:4])) for rise in steps} == {0, 1, 2, 3}


def test_a_hob_stands_between_the_legs(tmp_path):
    pool = _pool(tmp_path, HOB, 2400)

    for rise in _stepped(pool, _home(), 0):
        assert rise[:4].max() == 0
        assert rise[4:].max() > 1900


def test_on_a_single_line_everything_is_on_leg_1(tmp_path):
    pool = _pool(tmp_path, KETTLE, 2000)
    home = _home("single")

    for rise in _stepped(pool, home, 0):
        assert rise[:2].sum() > 1000
        assert rise[2:4].sum() == 0


def test_the_kettle_boils_by_the_local_clock(tmp_path):
    pool = _pool(tmp_path, KETTLE, 2000)
    home = _home()
    area = areas(SPEC)[home.area]

    loads = draw_loads(SPEC, home, area, air_c=AIR_C, pool=pool, rng=np.random.default_rng(1))

    watts = loads.va[:4].real.sum(axis=0)
    boils = np.flatnonzero(watts > watts.min() + 900)
    assert set((boils + area.offset_min) % 1440) == {AT, AT + 1, AT + 2}


def test_nobody_lives_in_a_vacant_home(tmp_path):
    pool = _pool(tmp_path, KETTLE, 2000)
    area = areas(SPEC)[0]

    for seed in range(5):
        home = _home(hard="vacant")
        rng = np.random.default_rng(seed)
        watts = draw_loads(SPEC, home, area, air_c=AIR_C, pool=pool, rng=rng).total_w
        assert watts.min() > 0
        assert watts.max() < 100


@pytest.mark.parametrize("slot", [KETTLE, FRIDGE])
def test_a_fridge_lags_more_than_a_kettle(tmp_path, slot):
    pool = _pool(tmp_path, slot, 200)
    home = _home(hard="vacant") if slot == FRIDGE else _home()
    area = areas(SPEC)[home.area]

    loads = draw_loads(SPEC, home, area, air_c=AIR_C, pool=pool, rng=np.random.default_rng(3))

    at = int(np.flatnonzero(area.local_minutes(SPEC.steps) % 1440 == AT)[0])
    rise = (loads.va[:4, at] - loads.va[:4, at - 2]).sum()
    assert rise.real > 100
    assert (rise.imag / rise.real > 0.4) == (slot == FRIDGE)
