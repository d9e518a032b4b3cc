"""Probes laid out for the trees: legs are alike for whether, in order for which; a column is one probe's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scored_homes import homes, unseen_fleet, varied

from pipeline.learning.labelled import Labelled
from pipeline.probes import names_of
from pipeline.probes.measured import Measured, all_quantities, measure
from pipeline.scoring.design import columns, leg_design, symmetric_design
from pipeline.scoring.model import Model
from pipeline.scoring.normal import Deviations, measure_deviations

NAMES = names_of(2)


def exchanged(measured: Measured) -> Measured:
    """The same homes with leg 1 called leg 2: each leg's values change places, contrasts turn."""

    def turn(key: str, values: np.ndarray) -> np.ndarray:
        if values.shape[1] == 2:
            return values[:, ::-1]
        return -values if shapes[key] == "contrast" else values

    shapes = {key: quantity.shape for key, _, quantity in all_quantities()}
    return replace(
        measured,
        values={key: turn(key, values) for key, values in measured.values.items()},
        errors={key: values[:, ::-1] for key, values in measured.errors.items()},
    )


@pytest.fixture(scope="module")
def measured(fleet: Labelled) -> Measured:
    """The small fleet, faulty homes and single ones among it, and some right homes."""
    both = [measure(fleet.signals), measure(varied(5, seed=1))]
    return Measured(
        *(
            {key: np.concatenate([getattr(one, part)[key] for one in both]) for key in getattr(both[0], part)}
            for part in ("values", "errors", "rights")
        ),
        np.concatenate([one.stratum for one in both]),
    )


def moved(measured: Measured, model: Model) -> Deviations:
    return measure_deviations(measured, unseen_fleet(model).normal)


def test_a_home_with_its_legs_exchanged_has_the_same_row(measured: Measured, model: Model) -> None:
    other = exchanged(measured)

    one, two = (
        symmetric_design(measured, moved(measured, model)),
        symmetric_design(other, moved(other, model)),
    )

    np.testing.assert_array_equal(one.rows, two.rows)
    assert one.names == two.names


def test_looked_at_from_the_other_end_a_home_is_the_one_with_its_legs_exchanged(
    measured: Measured, model: Model
) -> None:
    other = exchanged(measured)

    from_l2 = leg_design(measured, moved(measured, model), True)
    of_other = leg_design(other, moved(other, model), False)

    np.testing.assert_array_equal(from_l2.rows, of_other.rows)
    from_l1 = leg_design(measured, moved(measured, model), False)
    assert not np.array_equal(from_l1.rows, from_l2.rows, equal_nan=True)


def test_columns_are_named_once_and_each_belongs_to_its_probe(measured: Measured, model: Model) -> None:
    for design in (
        symmetric_design(measured, moved(measured, model)),
        leg_design(measured, moved(measured, model), False),
    ):
        assert design.rows.shape == (measured.size, len(design.names))
        assert len(set(design.names)) == len(design.names) == len(design.probes) == len(design.monotone)
        for name, probe in zip(design.names, design.probes, strict=True):
            assert name.split(".")[0] == probe
        assert set(design.probes) == set(NAMES)


def test_the_columns_of_this_version_are_those_of_any_home(measured: Measured, model: Model) -> None:
    assert columns() == (
        symmetric_design(measured, moved(measured, model)).names,
        leg_design(measured, moved(measured, model), False).names,
    )


def test_what_can_decide_by_itself_never_speaks_less_by_lying_farther_out(
    measured: Measured, model: Model
) -> None:
    design = symmetric_design(measured, moved(measured, model))
    of = {key: quantity for key, _, quantity in all_quantities()}

    for name, monotone in zip(design.names, design.monotone, strict=True):
        quantity = of[name.split(" ")[0]]
        away = {"low": -1, "high": 1, "both": 1}.get(quantity.wrong, 0)
        assert monotone == (away if quantity.decides is not None else 0), name
    assert any(design.monotone)


def test_a_gain_beside_right_is_short_of_it_or_over_it(model: Model) -> None:
    signals = homes([{"gain_l1": 0.4, "gain_l2": 1.25}, {"gain_l1": 0.4, "gain_l2": None}])
    known = measure(signals)
    design = symmetric_design(known, moved(known, model))
    of = {name: design.rows[:, at] for at, name in enumerate(design.names)}

    assert of["sun.gain short least"] == pytest.approx([0.0, 0.6])
    assert of["sun.gain short most"][0] == pytest.approx(0.6)
    assert of["sun.gain over most"][0] == pytest.approx(0.25)
    # of a leg that isn't there nothing is known; the other is the least alone
    assert np.isnan(of["sun.gain short most"][1])
