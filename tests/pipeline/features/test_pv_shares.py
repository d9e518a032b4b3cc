"""Which lines production feeds is found from the slopes, whatever the CTs on them are."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import polars as pl
import pytest

from pipeline.features.pv_shares import LEAD_DEG, feeding_currents, home_shares

SETS = [(0, 1, 2), (0,), (1,), (2,), (0, 1), (0, 2), (1, 2)]
VOLTS = np.exp(1j * np.radians([0.0, -120.0, 120.0]))
SIGNS = list(product((1, -1), repeat=3))


def slopes(
    fed: tuple[int, ...],
    on: tuple[int, ...] = (0, 1, 2),
    signs: tuple[int, ...] = (1, 1, 1),
    scale: float = 1.0,
) -> np.ndarray:
    """Return what each channel reads a watt of production, real and reactive."""
    current = -feeding_currents(fed)
    return scale * np.array(
        [
            sign * VOLTS[at] * np.conj(current[line])
            for at, (line, sign) in enumerate(zip(on, signs, strict=True))
        ]
    )


def real_only(slope: np.ndarray) -> np.ndarray:
    """Return the slopes of a home without reactive power."""
    return np.array([complex(value.real, np.nan) for value in slope])


def shares(
    *homes: np.ndarray,
    pv_kw: float | None = 6.0,
    pv_on: str | None = None,
    added: bool = False,
    se: float = 0.01,
) -> list[tuple[int, ...]]:
    """Return the lines that feed each of these homes."""
    rows = []
    for at, slope in enumerate(homes):
        row: dict[str, object] = {"site_id": str(at), "pv_kw": pv_kw, "pv_on": pv_on, "is_added_back": added}
        for line, value in enumerate(slope):
            row |= {
                f"slope_l{line + 1}": None if np.isnan(value.real) else value.real,
                f"slope_l{line + 1}_se": se,
            }
            row |= {f"var_l{line + 1}": None if np.isnan(value.imag) else value.imag}
        rows.append(row)
    found = home_shares(pl.DataFrame(rows, schema_overrides={"pv_on": pl.String, "pv_kw": pl.Float64}))
    share = found.select(pl.col("^pv_share_l.$")).to_numpy()
    assert share.sum(axis=1) == pytest.approx(1.0)
    assert all(len({*row[row > 0]}) == 1 for row in share)
    return [tuple(np.flatnonzero(row).tolist()) for row in share]


@pytest.mark.parametrize("fed", SETS)
def test_an_inverter_on_some_lines_gives_each_an_equal_part(fed: tuple[int, ...]) -> None:
    current, power = feeding_currents(fed), VOLTS * np.conj(feeding_currents(fed))

    assert power.real[list(fed)] == pytest.approx(1 / len(fed))
    assert power.real.sum() == pytest.approx(1.0)
    assert np.abs(np.delete(current, list(fed))) == pytest.approx(0.0)
    if len(fed) == 2:
        assert current.sum() == pytest.approx(0.0)  # nothing of it goes through the neutral


@pytest.mark.parametrize("fed", SETS)
@pytest.mark.parametrize("signs", SIGNS)
def test_turned_cts_hide_no_line(fed: tuple[int, ...], signs: tuple[int, int, int]) -> None:
    assert shares(slopes(fed, signs=signs)) == [fed]
    assert shares(real_only(slopes(fed, signs=signs))) == [fed]


def test_all_48_wirings_of_an_inverter_on_three_lines_are_told() -> None:
    wirings = [slopes((0, 1, 2), on, signs) for on in permutations(range(3)) for signs in SIGNS]

    assert len(wirings) == 48
    assert shares(*wirings) == [(0, 1, 2)] * 48
    assert shares(*wirings, pv_kw=3.0) == [(0, 1, 2)] * 48


@pytest.mark.parametrize("fed", SETS[1:])
def test_two_crossed_cts_hide_no_line_where_reactive_power_is_read(fed: tuple[int, ...]) -> None:
    """With all three CTs on other lines one line's picture is that of another; of a swap of two it isn't."""
    swaps = [(1, 0, 2), (0, 2, 1), (2, 1, 0)]

    for on in swaps:
        assert shares(slopes(fed, on)) == [fed]


@pytest.mark.parametrize("fed", SETS)
@pytest.mark.parametrize("scale", [0.9, 1.1])
def test_cts_that_read_a_tenth_wrong_hide_no_line(fed: tuple[int, ...], scale: float) -> None:
    assert shares(slopes(fed, scale=scale), se=0.02) == [fed]


def test_a_dead_line_is_not_taken_for_one_without_production() -> None:
    two_left, one_left = slopes((0, 1, 2)), slopes((0, 1, 2))
    two_left[2], one_left[1:] = 0, 0

    assert shares(two_left, one_left) == [(0, 1, 2)] * 2
    assert shares(two_left, one_left, pv_kw=3.0) == [(0, 1, 2)] * 2


def test_what_is_not_read_says_nothing_against_a_line() -> None:
    unread = slopes((0, 1, 2))
    unread[2] = complex(np.nan, np.nan)

    assert shares(unread) == [(0, 1, 2)]


def test_where_no_line_sees_production_all_are_taken() -> None:
    nothing = np.zeros(3, complex)
    assert shares(nothing, nothing + 0.01, pv_kw=None) == [(0, 1, 2)] * 2
    assert shares(np.full(3, complex(np.nan, np.nan)), pv_kw=2.0) == [(0, 1, 2)]


@pytest.mark.parametrize("fed", SETS)
def test_production_that_was_added_back_is_taken_off(fed: tuple[int, ...]) -> None:
    """With a turned CT on a line that is fed; with none all are 0 W, and at most reactive power tells."""
    share = np.where(np.isin(np.arange(3), fed), 1 / len(fed), 0.0)
    signs = tuple(-1 if line == fed[0] else 1 for line in range(3))

    assert shares(slopes(fed, signs=signs) + share, added=True, pv_kw=4.0) == [fed]
    assert shares(real_only(slopes(fed)) + share, added=True) == [(0, 1, 2)]


@pytest.mark.parametrize(("pv_on", "fed"), [("l2", (1,)), ("l1+l3", (0, 2)), ("all", (0, 1, 2))])
def test_the_site_record_goes_before_the_slopes(pv_on: str, fed: tuple[int, ...]) -> None:
    assert shares(slopes((0,)), pv_on=pv_on) == [fed]


def test_a_current_between_two_lines_leads_the_one_that_comes_first() -> None:
    nothing = {f"{kind}_{line}": None for kind in ("slope", "var") for line in ("l1", "l2", "l3")}
    nothing |= {f"slope_{line}_se": None for line in ("l1", "l2", "l3")}
    declared = {"a": "l1+l2", "b": "l2+l3", "c": "l1+l3", "d": "l1", "e": "all"}
    homes = pl.DataFrame(
        [
            {"site_id": name, "pv_on": on, "pv_kw": None, "is_added_back": False, **nothing}
            for name, on in declared.items()
        ]
    )

    lead = home_shares(homes).select(pl.col("^pv_lead.*$")).to_numpy()

    expected = [[1, -1, 0], [0, 1, -1], [-1, 0, 1], [0, 0, 0], [0, 0, 0]]
    assert lead.tolist() == (LEAD_DEG * np.array(expected)).tolist()
    for row, fed in zip(lead, SETS[4:5] + SETS[6:] + SETS[5:6], strict=False):
        phase = np.degrees(np.angle(feeding_currents(fed)[list(fed)] / VOLTS[list(fed)]))
        assert row[list(fed)] == pytest.approx(phase)
