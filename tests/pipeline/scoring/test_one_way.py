"""Away from right the odds of a fault don't fall: how far they ever do, quantity by quantity."""

from __future__ import annotations

import numpy as np
import pytest
from scored_homes import homes, unseen_fleet

from pipeline.probes.measured import Measured, all_quantities, legs_of, measure
from pipeline.probes.probe import Quantity
from pipeline.scoring.design import symmetric_design
from pipeline.scoring.model import Model
from pipeline.scoring.normal import measure_deviations

STEPS = 60
FARTHEST = 40.0  # spreads of the fleet away from right
# Loose: a home that is worse by one number may look better by no more than this. What can decide by itself is held so
# column by column; where right and the fleet's own centre differ, a step away from one is a step to the other.
MOST_FALL = {True: 0.3, False: 1.5}
# A meter that explains little may be another home's: it takes back some of what it said.
METER_FALL = 2.5
WRONG = [
    pytest.param(key, quantity, toward, at, id=f"{key} {toward}{at}")
    for key, _, quantity in all_quantities()
    for toward in {"low": ("lower",), "high": ("higher",), "both": ("lower", "higher"), "": ()}[
        quantity.wrong
    ]
    for at in (("l1", "both") if quantity.shape == "leg" else ("",))
]


def moved_away(key: str, quantity: Quantity, toward: str, at: str, model: Model) -> np.ndarray:
    """Log odds of a fault of the right home, its quantity moved step by step away from right, its deviation with it."""
    normal = unseen_fleet(model).normal
    right = measure(homes([{"site_id": f"step {step}"} for step in range(STEPS)]))
    values = {name: held.copy() for name, held in right.values.items()}
    spread = normal[key, "upstream"].spread if (key, "upstream") in normal else quantity.floor
    step = np.concatenate([[0.0], np.geomspace(0.05, FARTHEST, STEPS - 1)]) * spread
    sign = -1.0 if toward == "lower" else 1.0
    columns = range(len(legs_of(quantity))) if at == "both" else [0]
    for column in columns:
        values[key][:, column] += sign * step
        if key.endswith("_share"):
            values[key][:, column] = np.minimum(values[key][:, column], 1.0)
    away = Measured(values, right.errors, right.rights, right.stratum)
    log_odds: np.ndarray = model.log_odds(symmetric_design(away, measure_deviations(away, normal)).rows)
    return log_odds


@pytest.mark.parametrize(("key", "quantity", "toward", "at"), WRONG)
def test_the_odds_of_a_fault_never_fall_by_much_below_their_highest_so_far(
    key: str, quantity: Quantity, toward: str, at: str, model: Model
) -> None:
    log_odds = moved_away(key, quantity, toward, at, model)

    fall = float((np.maximum.accumulate(log_odds) - log_odds).max())
    most = METER_FALL if key == "meter.explained" else MOST_FALL[quantity.decides is not None]
    assert fall <= most, f"{fall:.2f} at {log_odds.round(2).tolist()}"
