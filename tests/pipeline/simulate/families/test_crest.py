"""Households of the CREST model: plausible, tied to the people at home, the same for the same seed."""

import random
import threading

import numpy as np

from pipeline.simulate.families.crest import COLD, SLOTS, household


def test_households_use_a_plausible_energy():
    days = [household(seed, workdays=1, weekend_days=1)[0] for seed in range(6)]

    kwh_a_day = np.array([power.sum() / power.shape[0] / 60e3 for power in days])

    assert days[0].shape == (2, SLOTS, 1440)
    assert 4 < kwh_a_day.mean() < 30
    assert kwh_a_day.std() > 1


def test_lamps_burn_only_while_somebody_is_up_and_the_fridge_runs_regardless():
    power, people = household(3, workdays=2, weekend_days=0)
    nobody = np.repeat(people, 10, axis=1) == 0

    lamps, fridges = power[:, 27:].sum(axis=1), power[:, COLD].sum(axis=1)

    assert nobody.any()
    assert lamps[nobody].max() == 0
    assert lamps[~nobody].max() > 0
    assert fridges[nobody].max() > 50


def test_the_seed_decides_and_the_global_generator_stays_as_it_was():
    before = random.getstate()

    one, again, other = (household(seed, 1, 0)[0] for seed in (5, 5, 6))

    assert np.array_equal(one, again)
    assert not np.array_equal(one, other)
    assert random.getstate() == before


def test_other_threads_draw_without_changing_a_household():
    alone, _ = household(5, 1, 1)
    is_done = threading.Event()

    def draw():
        while not is_done.is_set():
            random.random()

    other = threading.Thread(target=draw)
    other.start()
    beside, _ = household(5, 1, 1)
    is_done.set()
    other.join()

    assert np.array_equal(alone, beside)
