"""The meter's regression on three lines and the probe is least squares on the rows themselves."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.features.line_meter import joint_meter

ROWS = 400


def steps(seed: int, lines: int = 3) -> dict[str, np.ndarray]:
    """First differences of lines, production and battery [W], lines that don't exist being 0."""
    rng = np.random.default_rng(seed)
    pv = rng.normal(0, 800, ROWS)
    loads = rng.normal(0, 500, (3, ROWS)) - pv / 3
    loads[lines:] = 0
    return {"1": loads[0], "2": loads[1], "3": loads[2], "p": pv, "b": rng.normal(0, 300, ROWS)}


def sums_of(
    one: np.ndarray, other: np.ndarray, rest: dict[str, np.ndarray], net: np.ndarray
) -> dict[str, float]:
    """The nm_ sums of a home whose legs are these."""
    channels = {"1": one, "2": other, "p": rest["p"], "b": rest["b"], "n": net}
    names = ("nn", "n1", "n2", "np", "nb", "11", "22", "12", "1p", "2p", "pp", "1b", "2b", "pb", "bb")
    return {"nm_n": float(ROWS)} | {f"nm_{a}{b}": float(channels[a] @ channels[b]) for a, b in names}


def fit(at: dict[str, np.ndarray], net: np.ndarray, side: float) -> dict[str, object]:
    nothing = np.zeros(ROWS)
    total = at["1"] + at["2"] + at["3"]
    pairs = {"23": (at["2"], at["3"]), "31": (at["3"], at["1"]), "sum": (total, nothing)}
    frames = {name: pl.DataFrame([sums_of(*legs, at, net)]) for name, legs in pairs.items()}
    return joint_meter(frames, np.array([side])).row(0, named=True)


@pytest.mark.parametrize("side", [0.0, 1.0])
@pytest.mark.parametrize("gains", [(1.0, 1.0, 1.0), (-1.0, 0.5, 2.0)])
def test_it_is_least_squares(side: float, gains: tuple[float, float, float]) -> None:
    at = steps(1)
    noise = np.random.default_rng(2).normal(0, 50, ROWS)
    net = sum(at[line] / gain for line, gain in zip("123", gains, strict=True)) + 0.2 * at["p"] + noise

    found = fit(at, net, side)

    design = np.column_stack([at["1"], at["2"], at["3"], at["p"] + side * at["b"]])
    b, (left,), *_ = np.linalg.lstsq(design, net)
    error = np.sqrt(left / (ROWS - 4) * np.diag(np.linalg.inv(design.T @ design)))
    names = ("meter_l1", "meter_l2", "meter_l3", "meter_probe")
    assert [found[name] for name in names] == pytest.approx(b.tolist(), rel=1e-5)
    assert [found[f"{name}_se"] for name in names[:3]] == pytest.approx(error[:3].tolist(), rel=1e-5)
    assert found["meter_r2"] == pytest.approx(1 - left / (net @ net), rel=1e-6)
    assert found["meter_gain_se"] == pytest.approx(max(error[:3]), rel=1e-5)
    assert [found[f"meter_gain_l{line}"] for line in (1, 2, 3)] == pytest.approx(
        (1 / b[:3]).tolist(), rel=1e-5
    )


def test_a_line_without_readings_has_no_coefficient() -> None:
    at = steps(3, lines=2)
    found = fit(at, at["1"] + at["2"], 0.0)

    assert [found["meter_l1"], found["meter_l2"]] == pytest.approx([1.0, 1.0], rel=1e-4)
    assert (found["meter_l3"], found["meter_l3_se"], found["meter_gain_l3"]) == (None, None, None)


def test_without_a_meter_or_with_few_rows_it_says_nothing() -> None:
    empty = dict.fromkeys(sums_of(*((np.zeros(ROWS),) * 2), steps(1), np.zeros(ROWS)))
    few = steps(4)
    frames = {
        name: pl.DataFrame([empty], schema=dict.fromkeys(empty, pl.Float64)) for name in ("23", "31", "sum")
    }
    nothing = joint_meter(frames, np.zeros(1))

    assert set(nothing.row(0)) == {None}
    flat = fit(few, np.zeros(ROWS), 0.0)
    assert set(flat.values()) == {None}
