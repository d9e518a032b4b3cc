"""A loose neutral is told by the volts for each kW that flows, not for each kW that a CT reads."""

from __future__ import annotations

from typing import Any

import pytest
from scored_homes import homes
from three_line_rows import three_line_homes

from pipeline.core.settings import load_settings
from pipeline.scoring.neutral import neutral_columns

OWN = load_settings().verdict
SUN = {"is_declared_upstream": True, "has_probe": True, "meter_share": 0.0}
METER = {"is_declared_upstream": False, "meter_share": 1.0, "meter_r2": 0.99}
NEITHER = {"is_declared_upstream": False, "meter_share": 0.0}


def told(size: float | None = 2.0, **row: Any) -> dict[str, Any]:
    """What is said of a home whose V1 - V2 moves by `size` V for each kW read on either leg."""
    moved = {"sag_v_per_kw": size, "sag_l1": None if size is None else -size, "sag_l2": size}
    signals = homes([{**moved, "sag_l1_se": 0.05, "sag_l2_se": 0.05, **row}])
    return signals.select(**neutral_columns(OWN)).row(0, named=True)


@pytest.mark.parametrize(
    ("row", "scale"),
    [
        pytest.param(SUN | {"gain_sum": 1.0}, 1.0, id="a right CT upstream"),
        pytest.param(SUN | {"gain_sum": -1.0}, 1.0, id="a turned one"),
        pytest.param(SUN | {"gain_sum": 0.5}, 0.5, id="one that reads half"),
        pytest.param(SUN | {"gain_sum": 2.0}, 1.0, id="one that reads twice: no more than is seen"),
        pytest.param(SUN | {"gain_sum": 0.01}, 0.2, id="one that reads nothing"),
        pytest.param(METER | {"meter_gain_l1": 1.0, "meter_gain_l2": 0.6, "gain_sum": 0.0}, 0.6, id="by the meter"),
        pytest.param(NEITHER | {"gain_sum": 0.02}, OWN.neutral_scale, id="around the loads: the sun says nothing"),
    ],
)  # fmt: skip
def test_the_size_is_what_flows(row: dict[str, Any], scale: float) -> None:
    said = told(**row)
    assert said["neutral_v_per_kw"] == pytest.approx(2.0 * scale)
    assert said["is_neutral_suspect"] is (2.0 * scale > OWN.neutral_v_per_kw)


def test_the_leg_that_moves_the_voltages_less_counts() -> None:
    assert told(**SUN, gain_sum=1.0, sag_l1=-0.4)["is_neutral_suspect"] is False


def test_noise_and_legs_that_step_alike_say_nothing() -> None:
    assert told(**SUN, gain_sum=1.0, sag_l2_se=1.0)["is_neutral_suspect"] is False
    unknown = told(None, **SUN, gain_sum=1.0)
    assert (unknown["neutral_v_per_kw"], unknown["is_neutral_suspect"]) == (None, False)


def of_three(**row: Any) -> dict[str, Any]:
    """What is said of a home of three lines each pair of which moves by 2 V for each kW."""
    pairs = {"sag_v_per_kw": 2.0, "sag_l1": -2.0, "sag_l2": 2.0, "sag_l1_se": 0.05, "sag_l2_se": 0.05}
    each = {f"{name}{end}": value for name, value in pairs.items() for end in ("", "_23", "_31")}
    signals = three_line_homes([each | SUN | {"gain_sum": 1.0} | row])
    return signals.select(**neutral_columns(OWN, 3)).row(0, named=True)


def test_of_three_lines_every_pair_must_move() -> None:
    assert of_three()["is_neutral_suspect"] is True
    still = of_three(sag_l1_23=-0.1, sag_l2_23=0.1)
    assert (still["neutral_v_per_kw"], still["is_neutral_suspect"]) == (pytest.approx(0.1), False)
    assert of_three(sag_v_per_kw_31=None)["neutral_v_per_kw"] is None
