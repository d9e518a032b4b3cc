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


def of_three(*sizes: float, **row: Any) -> list[dict[str, Any]]:
    """What is said of homes of three lines, each pair of which moves by so many V for each kW."""
    homes = []
    for size in sizes:
        pairs = {"sag_v_per_kw": size, "sag_l1": -size, "sag_l2": size, "sag_l1_se": 0.05, "sag_l2_se": 0.05}
        each = {f"{name}{end}": value for name, value in pairs.items() for end in ("", "_23", "_31")}
        homes.append(each | SUN | {"gain_sum": 1.0} | row)
    return three_line_homes(homes).select(**neutral_columns(OWN, 3)).to_dicts()


def test_of_three_lines_every_pair_must_move() -> None:
    assert of_three(5.0)[0]["is_neutral_suspect"] is True
    (still,) = of_three(5.0, sag_l1_23=-0.1, sag_l2_23=0.1)
    assert (still["neutral_v_per_kw"], still["is_neutral_suspect"]) == (pytest.approx(0.1), False)
    assert of_three(5.0, sag_v_per_kw_31=None)[0]["neutral_v_per_kw"] is None


def test_a_long_shared_main_of_three_lines_is_in_order() -> None:
    # (0.24 + 1.5 x 0.16) ohm at 230 V, the impedance that holds for most homes
    (home,) = of_three(1000 * (0.24 + 1.5 * 0.16) / 230)
    assert home["is_neutral_suspect"] is False


@pytest.mark.parametrize(
    ("usual", "limit"),
    [
        (0.1, OWN.neutral_v_per_kw),
        (0.6, 0.6 * OWN.neutral_times_usual),
        (2.0, OWN.neutral_three_lines_v_per_kw),
    ],
)
def test_many_homes_of_three_lines_say_what_is_usual(usual: float, limit: float) -> None:
    homes = of_three(*[usual] * 30, 1.1 * limit, 0.9 * limit)
    assert [home["neutral_limit_v_per_kw"] for home in homes] == pytest.approx([limit] * 32)
    assert [home["is_neutral_suspect"] for home in homes[-2:]] == [True, False]
    assert not any(home["is_neutral_suspect"] for home in homes[:-2])
