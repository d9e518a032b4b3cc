"""How the classifier is made: weights of homes, every family left out once, the same model from the same seed."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest
from scored_homes import varied

from pipeline.core.contract import SOUND
from pipeline.core.services import SERVICES
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.learning import lessons
from pipeline.learning.calibration import ONE_OF_EACH
from pipeline.learning.labelled import Labelled
from pipeline.learning.lessons import LESSONS, LESSONS_OF_THREE_LINES, STREETS, Lesson, train
from pipeline.learning.training import (
    Fleet,
    deviations_in_small_fleets,
    draw_normal_homes,
    held_out_parts,
    home_weights,
    training_rows,
)
from pipeline.probes.measured import measure
from pipeline.scoring.design import columns
from pipeline.scoring.model_file import load_model, save_model
from pipeline.scoring.normal import measure_deviations, observe_spreads, shrink_spreads

QUICK = {"rounds": 5, "which_rounds": 5, "leg_rounds": 5, "innocent_rounds": 5, "fewest_in_leaf": 10}
SHIPPED = load_settings()
SETTINGS = SHIPPED.model_copy(update={"training": SHIPPED.training.model_copy(update=QUICK)})
OWN = SETTINGS.training


def test_sound_counts_as_much_as_all_faults_and_every_fault_alike() -> None:
    labels = np.array([SOUND] * 6 + ["dead"] * 3 + ["reversed"])
    is_hard = np.array([True, True] + [False] * 8)

    weights = home_weights(labels, is_hard, 0.25)

    assert weights[:6].sum() == pytest.approx(5)
    assert weights[0] == pytest.approx(weights[2] / 4)
    assert weights[6:9].sum() == pytest.approx(weights[9]) == pytest.approx(2.5)


def test_a_normal_is_learned_from_all_sound_homes_and_no_more_faulty_ones_than_life_has() -> None:
    fault = np.array([SOUND] * 300 + ["dead"] * 300)

    for seed in range(10):
        kept = draw_normal_homes(fault, OWN, np.random.default_rng(seed))
        assert kept[:300].all()
        # drawn one by one up to the share: three standard deviations over it at the most
        assert kept[300:].sum() <= OWN.faulty_in_normal * 300 + 3 * np.sqrt(OWN.faulty_in_normal * 300)


@pytest.fixture(scope="module")
def streets(fleet: Labelled) -> list[Fleet]:
    return [Fleet(STREETS, fleet, measure(fleet.signals))]


def test_every_home_is_seen_beside_its_fleet_and_deviations_in_small_fleets(streets: list[Fleet]) -> None:
    shipped = dict(load_model().shipped_normal)
    rows = training_rows(streets, shipped, OWN, seed=1)

    homes = streets[0].measured.size
    assert rows.symmetric.rows.shape == (2 * homes, len(columns()[0]))
    assert rows.by_leg[0].rows.shape == rows.by_leg[1].rows.shape == (2 * homes, len(columns()[1]))
    for part in (rows.fault, rows.leg, rows.hard_negative):
        assert part[:homes].tolist() == part[homes:].tolist()
    # raw values are the same from both looks, deviations are not
    raw = [at for at, name in enumerate(rows.symmetric.names) if "against" not in name]
    moved = [at for at, name in enumerate(rows.symmetric.names) if "against" in name]
    np.testing.assert_array_equal(rows.symmetric.rows[:homes, raw], rows.symmetric.rows[homes:, raw])
    assert not np.array_equal(
        rows.symmetric.rows[:homes, moved], rows.symmetric.rows[homes:, moved], equal_nan=True
    )
    sound = rows.take(rows.fault == SOUND)
    assert set(sound.fault) == {SOUND}
    assert len(sound.symmetric.rows) == len(sound.weight) == int((rows.fault == SOUND).sum())


def test_few_homes_are_a_thinner_yardstick_than_many() -> None:
    measured = measure(varied(120, seed=2))
    fault = np.full(120, SOUND)
    shipped = dict(load_model().shipped_normal)

    few = deviations_in_small_fleets(measured, fault, shipped, settings=OWN, rng=np.random.default_rng(1))
    whole = measure_deviations(measured, shrink_spreads(observe_spreads(measured), shipped))

    for key, values in whole.spread.items():
        assert few.spread[key].shape == values.shape
        np.testing.assert_array_equal(np.isnan(few.spread[key]), np.isnan(values))
    assert not np.allclose(few.spread["sun.gain"], whole.spread["sun.gain"])
    # another seed deals other homes to the few
    other = deviations_in_small_fleets(measured, fault, shipped, settings=OWN, rng=np.random.default_rng(2))
    assert not np.allclose(few.spread["sun.gain"], other.spread["sun.gain"])


def test_every_family_is_left_out_and_then_a_fleet_of_each(fleet: Labelled) -> None:
    measured = measure(fleet.signals)
    fleets = [Fleet(name, fleet, measured) for name in ("a", "b", "a", "b", "a")]

    assert held_out_parts(fleets) == [
        ("a", [True, False, True, False, True]),
        ("b", [False, True, False, True, False]),
        (ONE_OF_EACH, [False, False, True, True, False]),
    ]
    assert held_out_parts(fleets[:1]) == []


def test_the_lessons_are_of_families_that_are_unlike() -> None:
    families = {lesson.family for lesson in LESSONS}
    assert len(families) >= 4
    for family in families:
        fleets = [lesson for lesson in LESSONS if lesson.family == family]
        assert len({lesson.minutes for lesson in fleets}) > 1
        assert min(lesson.days for lesson in fleets) < 15 < max(lesson.days for lesson in fleets)


def test_the_lessons_of_three_lines_are_of_every_family_and_service() -> None:
    services = {name for name, service in SERVICES.items() if service.line_count == 3}
    assert {lesson.family for lesson in LESSONS_OF_THREE_LINES} == {lesson.family for lesson in LESSONS}
    assert {lesson.service for lesson in LESSONS_OF_THREE_LINES} == services
    for family in {lesson.family for lesson in LESSONS_OF_THREE_LINES}:
        fleets = [lesson for lesson in LESSONS_OF_THREE_LINES if lesson.family == family]
        assert {lesson.service for lesson in fleets} == services
    assert {lesson.service for lesson in LESSONS} == {""}


@pytest.mark.heavy
def test_the_same_seed_makes_the_same_model(monkeypatch: pytest.MonkeyPatch, tmp_path_factory) -> None:
    few = (
        Lesson(STREETS, 60, 3, 60, date(2025, 6, 20)),
        Lesson(STREETS, 60, 4, 60, date(2025, 12, 20)),
        Lesson("measured", 60, 3, 60, date(2026, 6, 20)),
    )
    monkeypatch.setattr(lessons, "LESSONS", few)
    # A fleet is built once: that its seed gives the same homes again is what the simulators' tests hold.
    build, built = lessons.labelled_fleet, dict[Lesson, Labelled]()
    asked: list[int] = []

    def built_once(lesson: Lesson, seed: int, *rest: Any, **named: Any) -> Labelled:
        asked.append(seed)
        if lesson not in built:
            built[lesson] = build(lesson, seed, *rest, **named)
        return built[lesson]

    monkeypatch.setattr(lessons, "labelled_fleet", built_once)
    lines: list[str] = []

    once, again = (train(SETTINGS, seed=3, tell=lines.append) for _ in range(2))

    assert once.model_id == again.model_id
    assert set(once.faults) <= set(CATALOGUE)
    assert (once.columns, once.leg_columns) == columns()
    assert once.recipe["seed"] == 3
    assert once.recipe["training"]["rounds"] == 5
    assert len(once.recipe["fleets"]) == 3
    # each family was left out once, then a fleet of each: what the others' trees say of them calibrates
    assert set(once.recipe["left_out"]) == {STREETS, "measured", ONE_OF_EACH}
    assert 0.3 <= once.slope <= 1.5
    assert {"fitting without measured", f"fitting without {STREETS}"} <= set(lines)
    place = tmp_path_factory.mktemp("model")
    save_model(once, place)
    assert load_model(place).model_id == once.model_id
    # another seed draws other fleets and other looks at them (as test_few_homes... holds)
    fitted: list[int] = []
    monkeypatch.setattr(lessons, "fit_model", lambda *given, **_: fitted.append(given[2]))
    train(SETTINGS, seed=4)
    assert fitted == [4]
    assert asked == [3000, 3001, 3002] * 2 + [4000, 4001, 4002]
